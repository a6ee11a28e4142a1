"""Joint angles against the ISB definition's worked matrix and an independent rotation library."""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from analysis import kinematics
from analysis.records import Floats, Motion
from analysis.skeleton import pelvis_angles, pelvis_axes, trunk_curl

UP, DOWN = np.array([[0.0, 1.0, 0.0]]), np.array([[0.0, -1.0, 0.0]])
STANDING = np.eye(3)[None]


def test_hip_decodes_the_worked_matrix() -> None:
    """Right hip, flexion 60, adduction -10, internal rotation 15 (Grood & Suntay 1983 in ISB axes; the
    numbers are computed from the stated formula)."""
    thigh = np.array([
        [0.52189, -0.85287, -0.01585],
        [0.81404, 0.49240, 0.30801],
        [-0.25489, -0.17365, 0.95125],
    ])[None]  # fmt: skip
    flexion, abduction, external = kinematics.hip_angles(STANDING, thigh, "right")[0]
    assert (flexion, abduction, external) == pytest.approx((60, 10, -15), abs=0.01)


@pytest.mark.parametrize(
    ("axis", "turn", "side", "index", "sign"),
    [
        ("z", 40, "right", 0, 1), ("z", 40, "left", 0, 1),  # thigh forward is flexion on both sides
        ("x", -30, "right", 1, 1), ("x", 30, "left", 1, 1),  # thigh outward is abduction
        ("y", -20, "right", 2, 1), ("y", 20, "left", 2, 1),  # turned outward is external rotation
    ],
)  # fmt: skip
def test_hip_signs(axis: str, turn: float, side: str, index: int, sign: int) -> None:
    thigh = Rotation.from_euler(axis, turn, degrees=True).as_matrix()[None]
    angles = kinematics.hip_angles(STANDING, thigh, side)[0]  # type: ignore[arg-type]
    expected = np.zeros(3)
    expected[index] = sign * abs(turn)
    assert angles == pytest.approx(expected, abs=1e-6)


def test_anterior_tilt_of_the_pelvis_flexes_the_hip() -> None:
    pelvis = pelvis_axes(np.array([[12.0, 0.0, 0.0]]))
    assert kinematics.hip_angles(pelvis, STANDING, "left")[0, 0] == pytest.approx(12)


@pytest.mark.parametrize(
    ("angles", "point", "axis", "towards"),
    [
        ((10.0, 0.0, 0.0), (0, 1, 0), 0, 1),  # anterior tilt: the top of the pelvis moves forward
        ((0.0, 10.0, 0.0), (0, 0, -1), 1, -1),  # obliquity: the left side moves down
        ((0.0, 0.0, 10.0), (0, 0, -1), 0, -1),  # rotation to the left: the left side moves backward
    ],
)
def test_pelvic_signs(angles: tuple[float, ...], point: tuple[int, ...], axis: int, towards: int) -> None:
    moved = pelvis_axes(np.array([angles]))[0] @ np.array(point, float)
    assert moved[axis] == pytest.approx(towards * np.sin(np.radians(10)))


def test_pelvis_angles_invert_the_axes() -> None:
    wanted = np.random.default_rng(3).uniform(-25, 25, (50, 3))
    assert pelvis_angles(pelvis_axes(wanted)) == pytest.approx(wanted)


@pytest.mark.parametrize(("ankle", "flexion"), [((0, -2), 0), ((-1, -1), 90), ((-0.8660, -0.5), 120)])
def test_knee_flexion_is_what_is_missing_to_straight(ankle: tuple[float, float], flexion: float) -> None:
    """Included angle of hip (0, 0), knee (0, -1) and ankle, as in 2-D charts: 180 - included."""
    shank = np.array([0, -1, 0]) - np.array([*ankle, 0])
    assert kinematics.knee_flexion(UP, (shank / np.linalg.norm(shank))[None])[0] == pytest.approx(
        flexion, abs=0.01
    )


def test_straight_knee_hides_hip_rotation() -> None:
    thigh: Floats = UP
    axes = kinematics.thigh_axes(thigh, UP, np.array([[0.0, 0.0, 1.0]]))
    assert axes[0] == pytest.approx(np.eye(3))


def test_hip_rotation_comes_from_the_bent_shank() -> None:
    """Knee bent to 90, foot carried inward: the right hip turns outward."""
    turn = Rotation.from_euler("y", -25, degrees=True)
    shank = turn.apply([1.0, 0.0, 0.0])[None]  # the foot is behind the knee before the turn
    thigh = kinematics.thigh_axes(UP, shank, np.array([[0.0, 0.0, 1.0]]))
    assert kinematics.hip_angles(STANDING, thigh, "right")[0, 2] == pytest.approx(25)


def test_trunk_curl_is_positive_towards_the_front() -> None:
    assert trunk_curl(np.array([[0.5, np.sqrt(0.75), 0.0]]))[0] == pytest.approx(30)


def test_missing_stays_missing() -> None:
    gap = np.full((1, 3, 3), np.nan)
    assert np.isnan(kinematics.hip_angles(gap, STANDING, "left")).all()
    assert np.isnan(pelvis_axes(np.full((1, 3), np.nan))).all()


def test_less_sure_values_leave_what_is_known_of_changes() -> None:
    half = {"knee_flexion_left": 4.0}
    sure = Motion(np.arange(2.0), {"knee_flexion_left": np.zeros(2)}, half, half, "none")
    told = kinematics.less_sure(sure, 1.4)
    assert told.uncertainty_deg == pytest.approx({"knee_flexion_left": 5.6})
    assert told.change_uncertainty_deg == half
