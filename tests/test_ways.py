"""Repetitions of a set compared by their ways in the picture."""

from dataclasses import replace

import numpy as np
import pytest
from fake_report import observations
from simulated import Errors, measure, perform

from analysis import exercises, findings
from analysis.records import LANDMARKS, Observations
from analysis.repetitions import Span, find
from analysis.repetitions.ways import ways

T = np.arange(0, 25, 0.08)
TRUNK_PX = 250.0
STARTS = (2.0, 7.0, 12.0, 17.0)
SIZES = (0.30, 0.30, 0.42, 0.30)  # of the trunk: the third goes 1.4 times as far


def seen(sizes: tuple[float, ...] = SIZES) -> Observations:
    """The left knee of a client on the side goes up and comes back."""
    rng = np.random.default_rng(2)
    px = np.full((len(T), 33, 2), 300.0)
    px[:, [LANDMARKS["shoulder_left"], LANDMARKS["shoulder_right"]], 0] -= TRUNK_PX
    for start, size in zip(STARTS, sizes, strict=True):
        share = np.clip((T - start) / 4, 0, 1)
        px[:, LANDMARKS["knee_left"], 1] -= TRUNK_PX * size * (1 - np.cos(2 * np.pi * share)) / 2
    return observations(T, px + rng.normal(0, 1.0, px.shape))


def spans() -> list[Span]:
    return [Span("left", s, s + 2, s + 2, s + 4, 30.0, 1.0) for s in STARTS]


def test_ways_are_shares_of_the_trunk() -> None:
    assert ways(spans(), seen(), exercises.load("clam")) == pytest.approx(SIZES, rel=0.06)


def test_what_may_be_noise_is_no_way() -> None:
    assert np.isnan(ways(spans(), seen((0.3, 0.3, 0.01, 0.3)), exercises.load("clam"))[2])
    assert np.isnan(ways(spans(), seen(), exercises.load("leg_extension"))).all()  # it has no such marks


@pytest.mark.parametrize("beyond_seen", [1.0, 0.66])
def test_the_picture_tells_what_the_angles_draw_to_the_usual(beyond_seen: float) -> None:
    """Angles alike, ways not: the second is told to be as much larger as its way, and the part unseen."""
    exercise = exercises.load("clam")
    exercise = exercise.model_copy(
        update={"range": exercise.range.model_copy(update={"beyond_seen": beyond_seen})}
    )
    done = perform("clam", 5)
    motion, places = measure(done, Errors(), 5)
    found = [s for s in find(motion, exercise) if s.complete]
    assert len(found) >= 3
    alike = [replace(s, way=0.3) for s in found]
    larger = [replace(s, way=0.42 if i == 1 else 0.3) for i, s in enumerate(found)]
    plain, told = (
        [r.measures.range_deg for r in findings.judge(some, motion, exercise, None, places).repetitions]
        for some in (alike, larger)
    )
    assert np.ptp(np.array(plain, float)) == pytest.approx(0, abs=1e-6)
    assert told[1] == pytest.approx((1 + 0.4 / beyond_seen) * plain[1], rel=1e-6)
    kinds = [
        {f.kind for f in r.findings}
        for r in findings.judge(larger, motion, exercise, None, places).repetitions
    ]
    assert "range_beyond" in kinds[1]
    assert not any("range_beyond" in k for i, k in enumerate(kinds) if i != 1)


def test_a_short_way_is_seen_as_short_as_it_is() -> None:
    exercise = exercises.load("clam")
    motion, places = measure(perform("clam", 5), Errors(), 5)
    found = [s for s in find(motion, exercise) if s.complete]
    plain, odd = (
        findings.judge([replace(s, way=way if i == 1 else 0.3) for i, s in enumerate(found)],
                       motion, exercise, None, places).repetitions[1].measures.range_deg
        for way in (0.3, 0.24)
    )  # fmt: skip
    assert odd == pytest.approx(0.8 * (plain or 0), rel=1e-6)


def test_a_way_that_the_angles_do_not_know_accuses_nobody() -> None:
    """Twice the way, but no larger by angles: the picture lost the point, and the angles stand."""
    exercise = exercises.load("clam")
    motion, places = measure(perform("clam", 5), Errors(), 5)
    found = [s for s in find(motion, exercise) if s.complete]
    lost = [replace(s, way=0.6 if i == 1 else 0.3) for i, s in enumerate(found)]
    plain, odd = (
        findings.judge(some, motion, exercise, None, places).repetitions[1] for some in (found, lost)
    )
    assert "range_beyond" not in [f.kind for f in odd.findings]
    assert odd.measures.range_deg == pytest.approx(plain.measures.range_deg)
