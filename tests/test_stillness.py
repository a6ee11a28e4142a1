"""Who does not move has signals that do not either, unless a card tells them."""

from dataclasses import replace

import numpy as np
import pytest

from analysis.pelvis import PelvisMotion
from analysis.records import Motion, Observations, PelvisSource
from analysis.stillness import at_rest, lies_still
from tests.fake_report import observations

TIME_S = np.arange(60) / 12
WANDERS = np.sin(TIME_S)


def pelvis(source: PelvisSource) -> PelvisMotion:
    told = {"pelvic_tilt": WANDERS}
    return PelvisMotion(told, {"pelvic_tilt": 2.0}, {"pelvic_tilt": 3.0}, source, dict.fromkeys(told, source))


def seen(*moved: float) -> Observations:
    whole = np.full(60, np.nan)
    whole[: len(moved)] = moved
    return replace(observations(TIME_S, np.zeros((60, 33, 2))), client_moved=whole)


@pytest.mark.parametrize(
    ("moved", "still"),
    [((0.001, 0.006), True), ((0.001, 0.02, 0.001), False), ((), False), ((0.001, np.nan, 0.03), False)],
)
def test_only_who_never_moves_lies_still(moved: tuple[float, ...], still: bool) -> None:
    assert lies_still(seen(*moved)) is still


@pytest.mark.parametrize(("source", "rests"), [("landmarks", True), ("fabric", True), ("card", False)])
def test_at_rest_signals_do_not_wander_and_a_card_is_believed(source: PelvisSource, rests: bool) -> None:
    knee = 90.0 + WANDERS
    knee[10:20] = np.nan
    widths = {"pelvic_tilt": 2.0, "knee_flexion_left": 8.0}
    motion = Motion(TIME_S, {"pelvic_tilt": WANDERS, "knee_flexion_left": knee}, widths, widths, source)
    calm = at_rest(motion, pelvis(source))
    assert np.nanmax(calm.values["knee_flexion_left"]) == np.nanmin(calm.values["knee_flexion_left"])
    assert np.nanmedian(knee) == np.nanmedian(calm.values["knee_flexion_left"])
    assert (np.isnan(calm.values["knee_flexion_left"]) == np.isnan(knee)).all()
    assert bool(np.ptp(calm.values["pelvic_tilt"]) == 0) is rests
    assert calm.uncertainty_deg == widths
