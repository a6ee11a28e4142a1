"""The pelvis read from the cloth, on clips of rendered people with exact angles."""

from dataclasses import replace

import numpy as np
import pytest
from fake_report import observations
from scipy.spatial.transform import Rotation
from stored_clips import clip

from analysis import exercises, pelvis, skeleton
from analysis.pelvis import cloth
from analysis.pelvis.fabric import from_fabric
from analysis.pelvis.motion import Seen
from analysis.records import Floats, Observations
from analysis.skeleton.camera import apart_deg, mat_in_camera
from analysis.skeleton.features import mirror

# What moves in each, as columns of tilt, obliquity, rotation, and by how much it really does [deg].
MOVES = {"pelvic_tilt": (0, 24.0), "toe_tap": (0, 14.0), "clam": (1, 23.0), "leg_circle": (2, 12.0)}


def read(seen: Observations, name: str) -> Seen | None:
    exercise = exercises.load(name)
    body = skeleton.fit(seen, exercise)
    camera = mat_in_camera(seen, body)
    assert camera is not None
    return from_fabric(seen, body, camera, exercise.lies)


def mirrored(seen: Observations) -> Observations:
    px, cm, visibility = mirror(seen.landmarks_px, seen.landmarks_cm, seen.visibility, seen.width)
    flip, offset = np.array([-1.0, 1.0]), np.array([seen.width, 0.0])
    return replace(seen, landmarks_px=px, landmarks_cm=cm, visibility=visibility,
                   fabric_px=seen.fabric_px * flip + offset,
                   fabric_start_px=seen.fabric_start_px * flip + offset)  # fmt: skip


@pytest.mark.parametrize("name", MOVES)
def test_the_cloth_tells_how_the_pelvis_moved(name: str) -> None:
    seen, exact = clip(name)
    told = read(seen, name)
    assert told is not None
    axis, really = MOVES[name]
    assert np.ptp(exact[:, axis]) == pytest.approx(really, abs=1.0)
    assert np.nanmean(np.abs(told.angles - exact), axis=0).max() < 2.0
    known = np.isfinite(told.angles[:, axis])
    assert np.corrcoef(told.angles[known, axis], exact[known, axis])[0, 1] > 0.8


def test_only_a_movement_of_the_pelvis_itself_is_followed_by_cloth() -> None:
    """Elsewhere far ends laid over each other tell more than cloth followed on the way."""
    moving = [name for name in exercises.names() if exercises.load(name).moves_pelvis]
    assert moving == ["pelvic_tilt"]
    for name in ("pelvic_tilt", "clam"):
        (seen, _), exercise = clip(name), exercises.load(name)
        told = pelvis.measure(seen, skeleton.fit(seen, exercise), exercise)
        assert ("fabric" in told.sources.values()) == (name in moving)


@pytest.mark.parametrize("name", MOVES)
def test_seen_in_a_mirror_left_and_right_change_places(name: str) -> None:
    seen, exact = clip(name)
    told = read(mirrored(seen), name)
    assert told is not None
    assert np.nanmean(np.abs(told.angles - exact * [1.0, -1.0, -1.0]), axis=0).max() < 2.5


@pytest.mark.parametrize("spots", [0, cloth.FEWEST - 1])
def test_plain_cloth_says_nothing(spots: int) -> None:
    seen, _ = clip("clam")
    few = seen.fabric_start_px.copy()
    few[spots:] = np.nan
    assert read(replace(seen, fabric_start_px=few), "clam") is None


def test_cloth_that_is_mostly_hidden_says_nothing() -> None:
    seen, _ = clip("clam")
    hidden = seen.fabric_px.copy()
    hidden[: int(0.6 * len(hidden))] = np.nan
    assert read(replace(seen, fabric_px=hidden), "clam") is None


def test_a_turn_and_a_shift_of_the_spots_are_told_apart() -> None:
    rng = np.random.default_rng(4)
    start = np.full((64, 2), np.nan)
    start[:30] = rng.uniform(100, 200, (30, 2))
    turn, shift = np.radians(7.0), np.array([12.0, -5.0])
    middle = start[:30].mean(axis=0)
    turned = (start - middle) @ np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    px = np.stack([start, turned + middle + shift])
    seen = replace(
        observations(np.array([0.0, 0.1]), np.zeros((2, 33, 2))), fabric_start_px=start, fabric_px=px
    )
    told = cloth.spot_motion(seen, np.array([1.0, 0.0]), scale=100.0)
    assert told[0] == pytest.approx(0, abs=1e-6)
    assert told[1, 0] == pytest.approx(turn, abs=1e-3)  # clockwise as seen, y down
    assert told[1, 4:6] == pytest.approx(shift / 100, abs=1e-3)
    assert told[1, [6, 9]] == pytest.approx([turn, turn], abs=1e-3)


@pytest.mark.parametrize("name", MOVES)
def test_cloth_that_does_not_move_shows_no_pelvis_that_turned(name: str) -> None:
    """Whatever the limbs do: a turn of 5 deg would take cloth 5 cm off its axis along by 4 mm."""
    seen, _ = clip(name)
    still = replace(seen, fabric_px=np.tile(seen.fabric_start_px, (len(seen.time_s), 1, 1)))
    told = read(still, name)
    assert told is not None
    assert np.nanmax(np.abs(told.angles)) < 5.0
    moved = read(seen, name)
    assert moved is not None
    axis, really = MOVES[name]
    assert np.nanmax(np.abs(moved.angles[:, axis])) > really / 4


# ------------------------------------------------------------------- cards against the body that wears them


def off_by(seen: Observations, name: str, degrees: float) -> tuple[Observations, Floats]:
    """The clip with cards squared to the body but for a turn, and the body's own axes (3, 3)."""
    unseen = np.full((len(seen.time_s), 3, 3), np.nan)
    camera = mat_in_camera(replace(seen, mat_rotation=unseen), skeleton.fit(seen, exercises.load(name)))
    assert camera is not None
    turned = Rotation.from_rotvec([degrees, 0, 0], degrees=True).as_matrix() @ camera
    cards = np.tile(turned[:, [1, 2, 0]], (len(seen.time_s), 1, 1))  # its axes in another order
    return replace(seen, card_rotation=cards, mat_rotation=unseen), camera


@pytest.mark.parametrize(("degrees", "believed"), [(10.0, True), (35.0, False)])
def test_a_card_that_would_lie_askew_was_misread(degrees: float, believed: bool) -> None:
    """Of one face that is seen, two poses look alike (Collins & Bartoli 2014, IJCV 109:252)."""
    seen, _ = off_by(clip("toe_tap")[0], "toe_tap", degrees)
    kept = pelvis.without_misread(seen, skeleton.fit(seen, exercises.load("toe_tap")))
    assert np.isfinite(kept.card_rotation).all() == believed


@pytest.mark.parametrize(("degrees", "squared"), [(15.0, True), (30.0, False)])
def test_axes_are_squared_to_a_mat_card_that_the_body_bears_out(degrees: float, squared: bool) -> None:
    seen, by_body = off_by(clip("toe_tap")[0], "toe_tap", degrees)
    with_mat = replace(seen, mat_rotation=seen.card_rotation)
    camera = mat_in_camera(with_mat, skeleton.fit(with_mat, exercises.load("toe_tap")))
    assert camera is not None
    assert (apart_deg(with_mat.mat_rotation, camera) < 0.1) == squared
    assert np.allclose(camera, by_body) == (not squared)
