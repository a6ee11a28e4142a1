"""Rolls of the knees told from where the knees go in the picture."""

from dataclasses import replace

import numpy as np
import pytest
from fake_report import observations
from scipy.spatial.transform import Rotation

from analysis.landmarks import EARS
from analysis.records import JOINTS, LANDMARKS, Floats, Observations, Skeleton
from analysis.repetitions import Span, knee_roll
from analysis.repetitions.ways import rolled
from analysis.skeleton.camera import View, view

WIDTH, HEIGHT = 960, 540
STARTS_S, OUT_S, HOLD_S = (2.0, 8.0, 14.0, 20.0), 2.0, 0.5
ROLLS_DEG = (30.0, -30.0, 42.0, -42.0)  # to the left and to the right in turn
T = np.arange(0, 26, 1 / 15)
_HALF_CM = {"hip": 9.0, "knee": 8.0, "ankle": 9.0, "toe": 9.0, "shoulder": 18.0, "elbow": 40.0, "wrist": 60.0}
_AT_CM = {"hip": (0, 0), "knee": (34, -26), "ankle": (-4, -42), "toe": (-6, -58), "shoulder": (0, 48),
          "elbow": (-6, 40), "wrist": (-8, 35)}  # fmt: skip
_RIGHT = {"left": -1.0, "right": 1.0}


def true_roll() -> Floats:
    """Roll to the left (T,) [deg] of the set."""
    moved = [
        deg * np.interp(T, [s, s + OUT_S, s + OUT_S + HOLD_S, s + 2 * OUT_S + HOLD_S], [0, 1, 1, 0])
        for s, deg in zip(STARTS_S, ROLLS_DEG, strict=True)
    ]
    return np.sum(moved, axis=0)


def at_rest() -> dict[str, Floats]:
    """Joints [cm] of a client on the back with bent knees, mat frame."""
    paired = {
        f"{part}_{side}": np.array([*_AT_CM[part], sign * half])
        for part, half in _HALF_CM.items()
        for side, sign in _RIGHT.items()
    }
    return paired | {
        "pelvis": np.zeros(3),
        "neck": np.array([0.0, 50.0, 0.0]),
        "head": np.array([4.0, 65.0, 0.0]),
    }


def lying() -> tuple[Skeleton, dict[str, Floats]]:
    """The body as angles would tell it, without any roll, and the joints (T, 3) as they really go."""
    rest = at_rest()
    moving = {name: np.tile(at, (len(T), 1)) for name, at in rest.items()}
    for side in _RIGHT:
        hip, knee, ankle = (rest[f"{joint}_{side}"] for joint in ("hip", "knee", "ankle"))
        line = (hip - ankle) / np.linalg.norm(hip - ankle)
        turns = Rotation.from_rotvec(np.outer(np.radians(true_roll()), line))
        moving[f"knee_{side}"] = turns.apply(knee - ankle) + ankle
    joints = np.tile(np.array([rest[name] for name in JOINTS]), (len(T), 1, 1))
    return Skeleton(T, {}, joints), moving


def from_the_feet(off_to_the_right: float) -> View:
    """A phone at knee height, as much further to the right of the feet as away from them."""
    sight = np.array([-0.35, 1.0, -off_to_the_right])
    sight /= np.linalg.norm(sight)
    across = np.cross(sight, [1.0, 0.0, 0.0])
    across /= np.linalg.norm(across)
    rotation = np.array([across, np.cross(sight, across), sight])
    return View(rotation, np.array([0.0, 0.0, 260.0]), 0.85 * WIDTH, np.array([WIDTH, HEIGHT]) / 2)


def filmed(phone: View, joints: dict[str, Floats]) -> Observations:
    px, cm = np.full((len(T), 33, 2), np.nan), np.full((len(T), 33, 3), np.nan)
    rows = {row: joints[name] for name, row in LANDMARKS.items() if name in joints}
    for row, at in (rows | dict.fromkeys(EARS, joints["head"])).items():
        px[:, row], cm[:, row] = phone.px(at), at @ phone.rotation.T
    seen = observations(T, px + np.random.default_rng(3).normal(0, 0.7, px.shape), width=WIDTH, height=HEIGHT)
    return replace(seen, landmarks_cm=cm)


def reached(roll: Floats) -> Floats:
    """Roll at the far end of each repetition [deg]."""
    return np.array([np.median(roll[np.abs(T - s - OUT_S - HOLD_S / 2) < 0.2]) for s in STARTS_S])


def test_the_phone_is_found_from_a_body_at_rest() -> None:
    body, joints = lying()
    phone = from_the_feet(1.0)
    seen = view(filmed(phone, joints), body)
    assert seen is not None
    assert np.degrees(Rotation.from_matrix(seen.rotation.T @ phone.rotation).magnitude()) < 3
    hips = np.array([joints["hip_left"][0], joints["hip_right"][0]])
    assert seen.px(hips) == pytest.approx(phone.px(hips), abs=4)


@pytest.mark.parametrize("off_to_the_right", [1.0, -0.6])
def test_rolls_compare_by_their_angles_wherever_the_phone_stands(off_to_the_right: float) -> None:
    """In the picture a knee goes another way to the left than to the right, for the same angle."""
    body, joints = lying()
    seen = filmed(from_the_feet(off_to_the_right), joints)
    knee = seen.landmarks_px[:, LANDMARKS["knee_left"]]
    ways = reached(np.linalg.norm(knee - np.median(knee[T < 1.5], axis=0), axis=1))
    assert abs(np.log(ways[0] / ways[1])) > 0.15
    told = reached(knee_roll(seen, body))
    assert np.sign(told).tolist() == [1, -1, 1, -1]
    assert np.abs(told) / np.abs(told).mean() == pytest.approx(np.abs(ROLLS_DEG) / 36, rel=0.06)


def test_of_nobody_no_roll_is_told() -> None:
    body, joints = lying()
    nobody = {name: np.full_like(at, np.nan) for name, at in joints.items()}
    assert np.isnan(knee_roll(filmed(from_the_feet(1.0), nobody), body)).all()


def spans(heights: tuple[float, ...]) -> list[Span]:
    return [
        Span(
            "left" if deg > 0 else "right",
            *(s, s + OUT_S, s + OUT_S + HOLD_S, s + 2 * OUT_S + HOLD_S),
            height,
            measured=1.0,
        )
        for s, deg, height in zip(STARTS_S, ROLLS_DEG, heights, strict=True)
    ]


@pytest.mark.parametrize(
    ("share", "heights", "believed"),
    [
        (1.0, (20.0, 20.0, 28.0, 28.0), True),
        (1.0, (20.0, 13.0, 28.0, 17.0), True),  # angles and picture err in how the sides compare
        (1.0, (20.0, 10.0, 28.0, 14.0), False),  # but not by as much
        (1.8, (20.0, 20.0, 28.0, 28.0), False),  # knees do not go beyond the mat
    ],
)
def test_a_roll_that_cannot_be_is_not_believed(
    share: float, heights: tuple[float, ...], *, believed: bool
) -> None:
    told = rolled(spans(heights), T, share * true_roll())
    if believed:
        assert told == pytest.approx(np.abs(ROLLS_DEG), rel=0.01)
    else:
        assert np.isnan(told).all()
