"""From landmarks to one body."""

import sys
from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation
from stored_clips import clip

from analysis import exercises, skeleton
from analysis.conventions import SIDES
from analysis.kinematics import hip_angles, knee_flexion, thigh_axes
from analysis.records import Floats
from analysis.skeleton import fit
from analysis.skeleton.corrector import Corrected, correct

THIGH = 1


def test_a_direction_on_which_the_networks_disagree_is_missing(monkeypatch: pytest.MonkeyPatch) -> None:
    """They do where the pose model has lost the body: for a second here, and of the left thigh alone."""
    seen, _ = clip("toe_tap")
    exercise = exercises.load("toe_tap")
    lost = np.abs(seen.time_s - seen.time_s[-1] / 2) < 0.6
    whole = skeleton.fit(seen, exercise).directions

    def at_odds(features: Floats) -> Corrected:
        told = correct(features)
        apart, directions = told.apart.copy(), told.directions.copy()
        apart[lost, THIGH], directions[lost, THIGH] = 20.0, [0.0, 0.0, 1.0]
        return replace(told, apart=apart, directions=directions)

    monkeypatch.setattr(sys.modules[fit.__module__], "correct", at_odds)
    told = fit(seen, exercise).directions
    assert np.isnan(told["thigh_left"][lost]).all()
    well = np.abs(seen.time_s - seen.time_s[-1] / 2) > 1.2
    for name in ("thigh_left", "thigh_right", "shank_left"):
        apart = np.degrees(np.arccos(np.clip((told[name] * whole[name])[well].sum(axis=1), -1, 1)))
        assert apart.max() < 1.0, name


def test_knees_seen_from_above_are_told_less_sure(monkeypatch: pytest.MonkeyPatch) -> None:
    """The stored clip is filmed from the side; then as if the phone looked down on it."""
    seen, _ = clip("toe_tap")
    exercise = exercises.load("toe_tap")
    beside = fit(seen, exercise).half_width_deg
    above = np.array([[0.0, 0.0, -1.0], [0.0, -1.0, 0.0], [-1.0, 0.0, 0.0]])
    monkeypatch.setattr(sys.modules[fit.__module__], "mat_in_camera", lambda *_: above)
    told = fit(seen, exercise).half_width_deg
    for name, half in told.items():
        wider = 2.1 if name.startswith("knee") else 1.0
        np.testing.assert_allclose(half, wider * beside[name])


def oblique(lean_deg: float, head: float) -> Floats:
    """A phone between the side and the feet; the client's head is to the right (1) or left of the picture."""
    sight = np.array(
        [0.0, 0.6, -head * 0.8]
    )  # in the body's axes: down the picture, to the head, to the side
    across = np.cross([1.0, 0.0, 0.0], sight)
    level = np.array([across, [-1.0, 0.0, 0.0], sight])
    return np.asarray(Rotation.from_euler("z", lean_deg, degrees=True).as_matrix() @ level)


@pytest.mark.parametrize("head", [1.0, -1.0])
@pytest.mark.parametrize("lean_deg", [0.0, 10.0, -10.0, 40.0])
def test_hips_seen_obliquely_are_set_right_by_the_lean(
    monkeypatch: pytest.MonkeyPatch, lean_deg: float, head: float
) -> None:
    """As measured on rendered people: 1.6 deg, and 0.45 of the lean towards the head; knees stay."""
    seen, _ = clip("toe_tap")
    exercise = exercises.load("toe_tap")
    at_sight = np.diag([1.0, 1.0, 1.0])
    monkeypatch.setattr(sys.modules[fit.__module__], "mat_in_camera", lambda *_: at_sight)
    as_read = fit(seen, exercise)
    monkeypatch.setattr(sys.modules[fit.__module__], "mat_in_camera", lambda *_: oblique(lean_deg, head))
    told = fit(seen, exercise)
    expected = 1.6 + 0.45 * head * lean_deg if abs(lean_deg) < 25 else 0.0
    for side in SIDES:
        thighs, shanks = (
            [b.directions[f"{part}_{side}"] for b in (as_read, told)] for part in ("thigh", "shank")
        )
        axes = np.tile(np.eye(3), (len(seen.time_s), 1, 1))
        hips = [
            hip_angles(axes, thigh_axes(t, s, axes[:, :, 2]), side)
            for t, s in zip(thighs, shanks, strict=True)
        ]
        assert np.nanmedian(hips[1][:, 0] - hips[0][:, 0]) == pytest.approx(expected, abs=0.2)
        np.testing.assert_allclose(
            *(knee_flexion(t, s) for t, s in zip(thighs, shanks, strict=True)), atol=1e-6
        )
