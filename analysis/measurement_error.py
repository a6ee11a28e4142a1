"""How far a measure of one repetition can be wrong, and its unit: for comparing and for exports."""

import tomllib
from collections.abc import Iterable, Mapping
from functools import cache
from importlib.resources import files

import numpy as np

from analysis import exercises
from analysis.conventions import PELVIC_SIGNALS
from analysis.exercises.schema import PELVIS_FINDINGS
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
        return _timing_s()
    if measure not in ("pelvis_deg", "range_deg") or report.exercise not in exercises.names():
        return float("nan")
    exercise = exercises.load(report.exercise)
    if measure == "pelvis_deg":
        judged = [name for kind, name in PELVIS_FINDINGS.items() if kind in exercise.limits]
        return _worst(_stated(report, n) for n in judged if n in report.series)
    movement = exercise.movement
    sums = (exercise.range.signals,) if exercise.range.signals else (movement.driver, movement.across)
    return _worst(_of_sum(report, side, weights) for weights in sums)


def _worst(halves: Iterable[float]) -> float:
    """The largest; NaN as soon as one is not known, or for none."""
    known = list(halves)
    return float(np.max(known)) if known else float("nan")


def _of_sum(report: Report, side: RepetitionSide, weights: Mapping[str, float]) -> float:
    """Half-width of a weighted sum of signals; a pelvis that was not seen counts as still, as it does there.

    Errors of signals seen in the same picture go together, so they add up plainly.
    """
    named = {name.format(side=side): abs(weight) for name, weight in weights.items()}
    seen = {n: w for n, w in named.items() if n in report.series or n not in PELVIC_SIGNALS}
    return sum(weight * _stated(report, name) for name, weight in seen.items())


def _stated(report: Report, signal: str) -> float:
    """Stated half-width of a change of one signal [deg]; NaN where none is."""
    whole = report.uncertainty_deg.get(signal, float("nan"))
    return report.change_uncertainty_deg.get(signal, whole)


@cache
def _timing_s() -> float:
    text = files("analysis").joinpath("measurement_error.toml").read_text("utf-8")
    return float(tomllib.loads(text)["timing"]["half_width_s"])
