"""How far a measure of one repetition can be wrong, and its unit: for comparing and for exports."""

import tomllib
from functools import cache
from importlib.resources import files

from analysis import exercises
from analysis.conventions import PELVIC_SIGNALS
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
    if measure == "pelvis_deg":
        stated = [_stated(report, name) for name in PELVIC_SIGNALS if name in report.series]
        return max(stated, default=float("nan"))
    if measure != "range_deg" or report.exercise not in exercises.names():
        return float("nan")
    movement = exercises.load(report.exercise).movement
    # Errors of signals seen in the same picture go together, so they add up plainly.
    return max(
        sum(abs(weight) * _stated(report, name.format(side=side)) for name, weight in driver.items())
        for driver in (movement.driver, movement.across or movement.driver)
    )


def _stated(report: Report, signal: str) -> float:
    """Stated half-width of a change of one signal [deg]; NaN where none is."""
    whole = report.uncertainty_deg.get(signal, float("nan"))
    return report.change_uncertainty_deg.get(signal, whole)


@cache
def _timing_s() -> float:
    text = files("analysis").joinpath("measurement_error.toml").read_text("utf-8")
    return float(tomllib.loads(text)["timing"]["half_width_s"])
