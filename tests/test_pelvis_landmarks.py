"""The pelvis's tilt as the pose model's landmarks show it when repetitions are compared with each other."""

from dataclasses import replace

import numpy as np
import pytest
from stored_clips import clip

from analysis import exercises, skeleton
from analysis.conventions import PELVIC_SIGNALS
from analysis.pelvis import compared
from analysis.pelvis.landmarks import TILT, less_breath, tilt, with_tilt
from analysis.pelvis.measure import from_body, measure
from analysis.records import Floats, Observations
from analysis.skeleton.camera import mat_in_camera
from analysis.skeleton.features import USED, mirror

REPETITION_S, TIMES = 4.0, 5
RATE_HZ = 10.0
UNLIKE_PX = slice(0, 2 * len(USED))
FROM_THE_SIDE = ["toe_tap", "pelvic_tilt"]
# Camera axes of the mat frame, as rows right, down, away: from the side, and from the feet's end.
SIDE = np.array([[0.0, 1.0, 0.0], [-1.0, 0.0, 0.0], [0.0, 0.0, 1.0]])
FEET = np.array([[0.0, 0.0, 1.0], [-1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])


def made(astray_px: float, times: int = TIMES) -> tuple[Floats, Floats]:
    """Times (T,) and landmarks (T, 33, 2) of equal repetitions; in the third, one hip goes astray."""
    time_s = np.arange(0, 2 + times * REPETITION_S, 1 / RATE_HZ)
    phase = np.clip((time_s - 2) / REPETITION_S, 0, None)
    way = np.sin(np.pi * phase) ** 2
    rng = np.random.default_rng(3)
    rest, goes = rng.uniform(100, 500, (33, 2)), rng.normal(0, 40, (33, 2))
    px = rest + way[:, None, None] * goes
    px[:, 23, 0] += astray_px * way * (np.floor(phase) == 2)
    return time_s, px


def described(time_s: Floats, px: Floats) -> tuple[Floats, Floats]:
    cm = np.concatenate([px, px[:, :, :1]], axis=2) / 4
    return compared.describe(time_s, px, cm, np.ones(px.shape[:2]), "supine", (640, 480))


def test_equal_repetitions_differ_in_nothing() -> None:
    _, features = described(*made(0.0))
    assert np.abs(features[:, UNLIKE_PX]).max() < 0.05


def test_what_one_repetition_does_alone_shows_and_nothing_else_does() -> None:
    times, features = described(*made(6.0))
    off = np.abs(features[:, UNLIKE_PX])
    hip = 2 * USED.index(23)
    third = 2 + 2.5 * REPETITION_S
    assert times[off[:, hip].argmax()] == pytest.approx(third, abs=0.3)
    others = np.delete(off, hip, axis=1)
    assert off[:, hip].max() > 5 * others.max()
    assert off[:, hip].max() > 3 * off[times < 2 + 2 * REPETITION_S, hip].max()


def test_where_the_client_is_in_the_picture_and_how_large_does_not_matter() -> None:
    time_s, px = made(6.0)
    there = described(time_s, px)[1][:, UNLIKE_PX]
    np.testing.assert_allclose(described(time_s, 0.5 * px + 60)[1][:, UNLIKE_PX], there, atol=1e-6)


def test_a_long_clip_is_compared_with_some_of_its_moments_only(monkeypatch: pytest.MonkeyPatch) -> None:
    """So memory does not grow with its square; what differs is told all the same."""
    time_s, px = made(6.0, times=20)
    hip = 2 * USED.index(23)
    every = described(time_s, px)[1][:, hip]
    monkeypatch.setattr(compared, "_MOST_OTHERS", 100)
    few = described(time_s, px)[1][:, hip]
    assert few == pytest.approx(every, abs=0.15 * np.abs(every).max())


def test_unseen_moments_say_nothing_and_the_others_still_do() -> None:
    time_s, px = made(6.0)
    px[60:75] = np.nan
    times, features = described(time_s, px)
    gone = (times > time_s[61]) & (times < time_s[73])
    assert np.isnan(features[gone]).all()
    assert np.isfinite(features[~gone & (np.abs(times - time_s[67]) > 1.0)]).all()
    _, nobody = described(time_s, np.full_like(px, np.nan))
    assert np.isnan(nobody).all()


@pytest.mark.parametrize("name", FROM_THE_SIDE)
def test_landmarks_alone_tell_the_tilt(name: str) -> None:
    seen, exact = clip(name)
    told = tilt(seen, "supine")
    assert told is not None
    angles, spread = told
    known = np.isfinite(angles)
    assert known.mean() > 0.95
    assert np.abs(angles - exact[:, TILT])[known].mean() < 2.0
    assert np.corrcoef(angles[known], exact[known, TILT])[0, 1] > 0.9
    assert (np.abs(angles - exact[:, TILT]) < 2.3 * spread)[known].mean() > 0.9  # as its half-widths say


@pytest.mark.parametrize("name", FROM_THE_SIDE)
def test_in_a_mirror_the_tilt_is_the_same(name: str) -> None:
    seen, exact = clip(name)
    px, cm, visibility = mirror(seen.landmarks_px, seen.landmarks_cm, seen.visibility, seen.width)
    told = tilt(replace(seen, landmarks_px=px, landmarks_cm=cm, visibility=visibility), "supine")
    assert told is not None
    assert np.nanmean(np.abs(told[0] - exact[:, TILT])) < 2.0


def test_a_client_who_is_hardly_seen_tells_nothing() -> None:
    seen, _ = clip("toe_tap")
    px = np.array(seen.landmarks_px)
    px[: int(0.6 * len(px))] = np.nan
    assert tilt(replace(seen, landmarks_px=px), "supine") is None


def by_landmarks(seen: Observations, camera: Floats) -> tuple[Floats, Floats, Floats | None]:
    """Change of the tilt's half-width from what the body says, those of the others, and the overstatement."""
    body = from_body(skeleton.fit(seen, exercises.load("toe_tap")))
    assert body is not None
    told = with_tilt(body, seen, camera, "supine")
    apart = told.change_half_width_deg - body.change_half_width_deg
    return apart[TILT], np.delete(apart, TILT), told.overstated(TILT)


def test_only_the_tilt_and_only_from_the_side() -> None:
    seen, _ = clip("toe_tap")
    tilts, others, over = by_landmarks(seen, SIDE)
    assert tilts < -5.0
    assert (others == 0).all()
    assert over is not None
    tilts, others, over = by_landmarks(seen, FEET)
    assert tilts == 0
    assert over is None


def test_in_the_dark_a_still_pelvis_may_have_turned() -> None:
    seen, _ = clip("toe_tap")
    dark = replace(seen, brightness=np.full(len(seen.time_s), 0.08))
    tilts, _, over = by_landmarks(dark, SIDE)
    assert tilts == 0
    assert over is not None  # what it reads as far off is far off all the same


def test_plain_cloth_leaves_the_tilt_to_the_landmarks() -> None:
    seen, exact = clip("toe_tap")
    exercise = exercises.load("toe_tap")
    body = skeleton.fit(seen, exercise)
    camera = mat_in_camera(seen, body)
    assert camera is not None
    assert abs(camera[2, 2]) > 0.8
    plain = replace(
        seen, fabric_start_px=np.full_like(seen.fabric_start_px, np.nan),
        card_rotation=(unseen := np.full((len(seen.time_s), 3, 3), np.nan)), card_covariance=unseen,
    )  # fmt: skip
    moved = measure(plain, body, exercise)
    assert moved.sources["pelvic_tilt"] == "landmarks"
    assert moved.change_uncertainty_deg["pelvic_tilt"] < exercise.limits["pelvis_tilted"].value
    assert np.nanmean(np.abs(moved.values["pelvic_tilt"] - exact[:, TILT])) < 2.0
    assert set(moved.overstated_deg) == {PELVIC_SIGNALS[TILT]}


def test_what_a_breath_looks_like_hardly_tilts_a_still_pelvis() -> None:
    """A reading that follows a breath by 3.5 deg, about as far as in any of 60 people who lay still."""
    breath = 10.0 + 1.75 * (1 - np.cos(2 * np.pi * 0.25 * np.arange(0, 24, 1 / 15)))
    calm = less_breath(breath)
    assert np.ptp(breath) > 3.4
    assert np.abs(calm - np.median(calm)).max() < 0.2


@pytest.mark.parametrize("tilt_deg", [-20.0, -8.0, 8.0, 20.0])
def test_beside_a_breath_a_tilt_keeps_its_size(tilt_deg: float) -> None:
    moments = np.arange(200)
    tilted = (moments >= 80) & (moments < 120)
    calm = less_breath(np.where(tilted, tilt_deg, np.sin(moments / 8.0)))
    assert calm[tilted] == pytest.approx(tilt_deg, rel=0.06)
    assert np.ptp(calm[~tilted]) < 0.1


def test_less_breath_keeps_the_order_and_the_missing() -> None:
    tilts = np.linspace(-30.0, 30.0, 601)
    tilts[100:120] = np.nan
    calm = less_breath(tilts)
    assert (np.isnan(calm) == np.isnan(tilts)).all()
    assert (np.diff(calm[np.isfinite(calm)]) >= 0).all()
