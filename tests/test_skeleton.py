"""From landmarks to one body."""

import sys
from dataclasses import replace

import numpy as np
import pytest
from stored_clips import clip

from analysis import exercises, skeleton
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
