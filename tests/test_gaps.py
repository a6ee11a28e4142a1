"""Moments that the clip does not show: what can be told of a repetition in spite of them, and what cannot."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from made_sets import followed, motion, spans, times
from scipy.interpolate import PchipInterpolator

from analysis import exercises, findings
from analysis.conventions import SIDES
from analysis.records import Floats, Repetition
from analysis.repetitions import signals

TABLETOP_DEG, REACH_DEG, TILT_DEG = 90.0, 60.0, -6.0
ODD = 2


def thigh(name: str = "leg_extension") -> Floats:
    """Lift of the left thigh from the mat (T,) [deg]: by way of tabletop, or straight back."""
    course = [45.0, TABLETOP_DEG, REACH_DEG] if name == "leg_extension" else [75.0, 30.0, -15.0]
    way = followed(spans(sides=("left",)), {-1: 1.0})
    return np.asarray(PchipInterpolator([0, 0.5, 1], course)(np.clip(way, 0, 1)))


def judged(hip: Floats, tilt: Floats, name: str = "leg_extension") -> tuple[Repetition, ...]:
    done = spans(sides=("left",))
    knee = 90 - 80 * np.clip(2 * followed(done, {-1: 1.0}) - 1, 0, 1)
    values = {"hip_flexion_left": hip, "knee_flexion_left": knee, "pelvic_tilt": tilt}
    return findings.judge(done, motion(done, values), exercises.load(name)).repetitions


def ranges(told: tuple[Repetition, ...]) -> list[float | None]:
    return [r.measures.range_deg for r in told]


def missing(values: Floats, at: Floats) -> Floats:
    return np.where(at, np.nan, values)


def round_the_top(gap_s: float) -> Floats:
    """Moments (T,) round tabletop on the way out of one repetition."""
    t, span = times(spans(sides=("left",))), spans(sides=("left",))[ODD]
    return np.abs(t - (span.start_s + span.arrive_s) / 2) <= gap_s / 2


@pytest.mark.parametrize(
    ("name", "hides", "true_deg"),
    [
        ("leg_extension", lambda lift: lift > 70, TABLETOP_DEG - REACH_DEG),
        ("bird_dog", lambda lift: lift < 60, 90.0),
    ],
)
def test_a_thigh_that_hides_the_cloth_is_measured_all_the_same(
    name: str, hides: Callable[[Floats], Floats], true_deg: float
) -> None:
    """Hips are told from a bridged pelvis there: their lift from the mat does not hang on it."""
    done, lift = spans(sides=("left",)), thigh(name)
    tilt = followed(done, {-1: TILT_DEG})
    seen = missing(tilt, hides(lift))
    assert np.isnan(seen).mean() > 0.15
    bridged = signals.filled(motion(done, {"pelvic_tilt": seen}), "pelvic_tilt")
    whole, open_ = judged(lift + tilt, tilt, name), judged(lift + bridged, seen, name)
    assert ranges(whole) == pytest.approx([true_deg] * len(done), abs=2.0)
    assert ranges(open_) == pytest.approx(ranges(whole), abs=0.5)


def test_a_roll_that_hides_the_card_is_as_large_as_one_that_shows_it() -> None:
    """30 deg each way, 20 of them the pelvis's: to the right the body model alone tells of those."""
    done = spans()
    left, right = (followed(done, {-1: 1.0}, side) for side in SIDES)
    pelvis, hips = 20 * (left - right), {f"hip_rotation_{s}": 0 * left for s in SIDES}
    hips |= {"hip_abduction_left": 32 * (left - right), "hip_abduction_right": 32 * (right - left)}
    seen = motion(done, hips | {"pelvic_rotation": missing(pelvis, right > 0)})
    told = findings.judge(
        done, replace(seen, bridged={"pelvic_rotation": pelvis}), exercises.load("knee_rolls")
    ).repetitions
    assert ranges(told) == pytest.approx([16.0 + 14.0] * len(done), abs=0.5)
    assert {r.verdict for r in told} == {"sound"}


def test_a_tabletop_that_was_not_seen_is_not_guessed() -> None:
    """More than half a second without a person: the largest lift may have been there."""
    lift = thigh()
    told = judged(missing(lift, round_the_top(1.2)), 0 * lift)
    assert [i for i, deg in enumerate(ranges(told)) if deg is None] == [ODD]
    kinds = {f.kind for f in told[ODD].findings}
    assert "shape_lost" not in kinds | set(told[ODD].near)


def test_a_blink_at_tabletop_is_bridged() -> None:
    lift = thigh()
    told = ranges(judged(missing(lift, round_the_top(0.3)), 0 * lift))
    assert told == pytest.approx([TABLETOP_DEG - REACH_DEG] * len(told), abs=2.5)
