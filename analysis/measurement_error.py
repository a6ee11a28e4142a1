"""How far a measure of one repetition can be wrong, and its unit: for comparing and for exports."""

import tomllib
from collections.abc import Container, Iterable, Mapping
from functools import cache
from importlib.resources import files
from typing import Any

import numpy as np

from analysis import exercises
from analysis.conventions import PELVIC_SIGNALS
from analysis.exercises.schema import PELVIS_FINDINGS, Exercise
from analysis.records import RepetitionSide, Report

_UNITS = {"deg": "deg", "s": "s", "pct": "%", "cm": "cm"}


def unit(measure: str) -> str:
    """Unit of a measure, told by its name: deg, s, cm, % or 1."""
    return _UNITS.get(measure.rsplit("_", 1)[-1], "1")


def half_width(report: Report, side: RepetitionSide, measure: str) -> float:
    """95 % half-width of one repetition's measure from measurement alone; NaN where none is known.

    Ranges and pelvis motion are differences within one clip, in which constant errors cancel.
    """
    if unit(measure) == "s":
        return timing_s()
    if measure not in ("pelvis_deg", "range_deg") or report.exercise not in exercises.names():
        return float("nan")
    exercise, stated = exercises.load(report.exercise), report.uncertainty_deg | report.change_uncertainty_deg
    if measure == "pelvis_deg":
        return of_pelvis(exercise, stated, report.series)
    return of_range(exercise, side, stated, report.series)


def between_clips(report: Report, side: RepetitionSide, measure: str) -> float:
    """95 % half-width of a measure against another clip of the same client; NaN where none is known.

    Other clothes and another place of the phone change an error that stays the same within one clip; a
    pelvis followed by its card does not depend on clothes.
    """
    if measure == "pelvis_deg" and report.pelvis_source == "card":
        return half_width(report, side, measure)
    return times_between_clips(report.exercise, measure) * half_width(report, side, measure)


def times_between_clips(exercise: str, measure: str) -> float:
    """Half-width against another clip as a multiple of that within one; below 1 where a set errs less."""
    factors = _table()["between_clips"].get(measure, {"any": 1.0})
    return float(factors.get(exercise, factors["any"]))


def of_pelvis(exercise: Exercise, stated: Mapping[str, float], seen: Container[str]) -> float:
    """95 % half-width of the pelvis's motion [deg]: of the worst signal that is judged and seen.

    stated: half-width of a change by signal [deg]. NaN as soon as one is not known.
    """
    judged = [name for kind, name in PELVIS_FINDINGS.items() if kind in exercise.limits]
    return _worst(stated.get(n, float("nan")) for n in judged if n in seen)


def of_range(
    exercise: Exercise, side: RepetitionSide, stated: Mapping[str, float], seen: Container[str]
) -> float:
    """95 % half-width of the range [deg], by the weights of what makes it up; as in `of_pelvis`."""
    weights = {name: abs(weight) for name, weight in exercise.range_weights(side).items()}
    # A hip is told from the pelvis as it was read: in the sum of both, that pelvis and its error drop out.
    of_legs = {name: weight for name, weight in weights.items() if name not in PELVIC_SIGNALS}
    return _of_sum(of_legs or weights, stated, seen)


def _worst(halves: Iterable[float]) -> float:
    """The largest; NaN as soon as one is not known, or for none."""
    known = list(halves)
    return float(np.max(known)) if known else float("nan")


def _of_sum(weights: Mapping[str, float], stated: Mapping[str, float], seen: Container[str]) -> float:
    """Half-width of a weighted sum of signals; a pelvis that was not seen counts as still, as it does there.

    Errors of signals seen in the same picture go together, so they add up plainly.
    """
    counted = {n: w for n, w in weights.items() if n in seen or n not in PELVIC_SIGNALS}
    return sum(weight * stated.get(name, float("nan")) for name, weight in counted.items())


def timing_s(*, coarse: bool = False) -> float:
    """95 % half-width of the time of one phase, out or back [s]; coarse: as `Span.coarse`."""
    return float(_table()["timing"]["coarse_half_width_s" if coarse else "half_width_s"])


def spot_cm() -> float:
    """95 % half-width of an ankle's place against other repetitions of the same clip [cm]."""
    return float(_table()["spot"]["half_width_cm"])


@cache
def _table() -> dict[str, dict[str, Any]]:
    return tomllib.loads(files("analysis").joinpath("measurement_error.toml").read_text("utf-8"))
