"""The turn of a leg in the picture, against a leg that is turned by a known angle."""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from analysis import exercises
from analysis.records import LANDMARKS, Floats
from analysis.skeleton.swing import swung

T = np.arange(0, 6, 0.1)
# From the right of a client on the back, head to the left in the picture: x is footward, y down (posterior).
CAMERA = np.array([[0.0, -1.0, 0.0], [-1.0, 0.0, 0.0], [0.0, 0.0, -1.0]])
TURNED_DEG = 50.0
AT_START = np.array([-1.0, 1.0, 0.0]) / np.sqrt(2)  # from the far joint to the near one: the knee is up
NAMES = ("thigh_left", "shank_left", "thigh_right", "shank_right")


def course() -> Floats:
    """Angle (T,) of a leg that is still for a second and then goes out and back."""
    return TURNED_DEG * np.where(T > 1, np.sin(np.pi * (T - 1) / 5) ** 2, 0.0)


def legs(angle_deg: Floats, axis: Floats) -> Floats:
    turns = Rotation.from_rotvec(np.radians(angle_deg)[:, None] * axis)
    return np.asarray(turns.apply(AT_START))


def landmarks(direction: Floats) -> Floats:
    """(T, 33, 2) of legs whose thigh and shank both point so."""
    px = np.full((len(T), 33, 2), 400.0)
    for side in ("left", "right"):
        for near, far in (("hip", "knee"), ("knee", "ankle")):
            shown = 150.0 * direction @ CAMERA[:2].T
            px[:, LANDMARKS[f"{far}_{side}"]] = px[:, LANDMARKS[f"{near}_{side}"]] - shown
    return px


def angle_between_deg(a: Floats, b: Floats) -> float:
    return float(np.degrees(np.arccos(np.clip((a * b).sum(axis=1), -1, 1))).max())


@pytest.mark.parametrize("share", [0.0, 0.6, 1.0])
def test_the_share_of_the_turn_that_was_missed_is_added(share: float) -> None:
    true = legs(course(), CAMERA[2])
    half = legs(course() / 2, CAMERA[2])
    got = swung(T, landmarks(true), dict.fromkeys(NAMES, half), CAMERA, share)
    for name in NAMES:
        assert angle_between_deg(got[name], true) == pytest.approx(TURNED_DEG / 2 * (1 - share), abs=1.0)


def test_an_offset_that_stays_is_no_turn() -> None:
    """The pose model's landmarks are not joint centres: what is there at the start already is its own."""
    true = legs(course(), CAMERA[2])
    offset = legs(course() + 8.0, CAMERA[2])
    got = swung(T, landmarks(offset), dict.fromkeys(NAMES, true), CAMERA, 1.0)
    assert angle_between_deg(got["thigh_left"], true) < 1.0


def test_a_leg_that_points_at_the_camera_is_left_alone() -> None:
    towards = np.tile(CAMERA[2] * -1.0, (len(T), 1))
    px = landmarks(legs(course(), CAMERA[2]))
    got = swung(T, px, dict.fromkeys(NAMES, towards), CAMERA, 1.0)
    assert np.array_equal(got["thigh_left"], towards)


def test_what_is_not_seen_stays() -> None:
    true = legs(course(), CAMERA[2])
    px = landmarks(true)
    px[20:] = np.nan
    half = legs(course() / 2, CAMERA[2])
    got = swung(T, px, dict.fromkeys(NAMES, half), CAMERA, 1.0)
    assert np.array_equal(got["shank_right"][30:], half[30:])
    assert np.array_equal(swung(T, px * np.nan, dict.fromkeys(NAMES, half), CAMERA, 1.0)["shank_right"], half)


def test_only_exercises_whose_legs_swing_across_the_sight_take_it() -> None:
    takes = [name for name in exercises.names() if exercises.load(name).movement.seen_swing > 0]
    assert set(takes) == {"toe_tap", "leg_extension"}
    assert all(exercises.load(name).views[0] == "side" for name in takes)
