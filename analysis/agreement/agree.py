"""Agreement of raters, the tool among them, over the repetitions that each pair of them rated."""

from collections.abc import Mapping, Sequence
from itertools import combinations
from typing import Final

import numpy as np

from analysis.agreement.ratings import MEASURES, TOOL, VERDICTS, Rating, ratings_of
from analysis.errors import ReportError
from analysis.measurement_error import unit
from analysis.records import Floats, Number, Record, Report
from analysis.statistics import Agreement, Estimate, bland_altman, icc, kappa

ON_INTERVALS: Final = (
    "Intervals are 95 %. They take the repetitions as independent; those of one clip resemble each other, so "
    "the true intervals are wider. Physiotherapists who judge movement control from video agree with each "
    "other by a kappa of 0.24 to 0.71 (Luomajoki 2007, ten tests)."
)


class Interval(Record):
    """A coefficient with its 95 % interval; null where it is undefined."""

    value: Number
    low: Number
    high: Number


class VerdictAgreement(Record):
    """Two raters on the same repetitions.

    `flagged`: Cohen's kappa of "flagged" against the rest. `verdict`: kappa of the three verdicts, with
    linear weights, so that a near miss counts half. `same_pct`: share of the same verdict [%].
    """

    raters: tuple[str, str]
    repetitions: int
    same_pct: float
    flagged: Interval
    verdict: Interval


class Difference(Record):
    """A rater's values minus the tool's: bias and 95 % limits of agreement, in the measure's unit."""

    rater: str
    repetitions: int
    bias: Interval
    lower: Number
    upper: Number
    mean_absolute: Number


class MeasureAgreement(Record):
    """All raters that gave a measure, over the repetitions that every one of them measured."""

    measure: str
    unit: str
    raters: tuple[str, ...]
    repetitions: int
    icc_2_1: Interval
    icc_3_1: Interval
    differences: tuple[Difference, ...]


class Agreed(Record):
    """Everything told about the agreement."""

    clips: int
    verdicts: tuple[VerdictAgreement, ...]
    measures: tuple[MeasureAgreement, ...]
    on_intervals: str = ON_INTERVALS


def agree(ratings: Sequence[Rating], reports: Mapping[str, Report]) -> Agreed:
    """Agreement of people with each other and with the tool; `reports` by the name used in the ratings.

    Raises ReportError where a rated report or repetition is not there, or too little is rated by two.
    """
    tool = [r for name, report in reports.items() for r in ratings_of(report, name)]
    _check_known(ratings, tool, reports)
    every = [*ratings, *tool]
    raters = [*dict.fromkeys(r.rater for r in ratings), TOOL]
    verdicts = tuple(v for a, b in combinations(raters, 2) if (v := _verdicts(every, a, b)))
    measures = tuple(m for name in MEASURES if (m := _measure(every, raters, name)))
    if not verdicts and not measures:
        raise ReportError("No two raters rated the same three repetitions, so there is no agreement to tell.")
    return Agreed(clips=len({r.report for r in ratings}), verdicts=verdicts, measures=measures)


def _check_known(ratings: Sequence[Rating], tool: Sequence[Rating], reports: Mapping[str, Report]) -> None:
    known = {r.subject for r in tool}
    for rating in ratings:
        if rating.report not in reports:
            raise ReportError(
                f"There are ratings of {rating.report!r}, but no such report. Name its file too."
            )
        if rating.subject not in known:
            raise ReportError(
                f"{rating.report} has no complete repetition {rating.repetition}, which {rating.rater} rated."
            )


def _verdicts(every: Sequence[Rating], a: str, b: str) -> VerdictAgreement | None:
    """Agreement of two raters; None for fewer than three repetitions that both could judge."""
    by_rater = {
        rater: {r.subject: VERDICTS.index(r.verdict) for r in every if r.rater == rater and r.verdict}
        for rater in (a, b)
    }
    shared = sorted(by_rater[a].keys() & by_rater[b].keys())
    if len(shared) < 3:
        return None
    first, second = (np.array([by_rater[rater][s] for s in shared]) for rater in (a, b))
    worst = len(VERDICTS) - 1
    return VerdictAgreement(
        raters=(a, b),
        repetitions=len(shared),
        same_pct=float(100 * np.mean(first == second)),
        flagged=_interval(kappa((first == worst).astype(int), (second == worst).astype(int), 2)),
        verdict=_interval(kappa(first, second, len(VERDICTS), "linear")),
    )


def _measure(every: Sequence[Rating], raters: Sequence[str], name: str) -> MeasureAgreement | None:
    """Agreement on one measure; None where no person gave it, or for fewer than three repetitions."""
    by_rater = {
        rater: given
        for rater in raters
        if (given := {r.subject: r.measures[name] for r in every if r.rater == rater and name in r.measures})
    }
    if len(by_rater) < 2:
        return None
    shared = sorted(set.intersection(*(set(given) for given in by_rater.values())))
    if len(shared) < 3:
        return None
    table = np.array([[given[s] for given in by_rater.values()] for s in shared])
    forms = icc(table)
    return MeasureAgreement(
        measure=name,
        unit=unit(name),
        raters=tuple(by_rater),
        repetitions=len(shared),
        icc_2_1=_interval(forms["ICC(2,1)"]),
        icc_3_1=_interval(forms["ICC(3,1)"]),
        differences=_differences(list(by_rater), table),
    )


def _differences(raters: list[str], table: Floats) -> tuple[Difference, ...]:
    """Each person against the tool, where the tool gave the measure: table (repetitions, raters)."""
    if raters[-1] != TOOL:
        return ()
    return tuple(
        _difference(rater, bland_altman(table[:, -1], table[:, i])) for i, rater in enumerate(raters[:-1])
    )


def _difference(rater: str, told: Agreement) -> Difference:
    return Difference(
        rater=rater,
        repetitions=told.pairs,
        bias=_interval(told.bias),
        lower=told.lower.value,
        upper=told.upper.value,
        mean_absolute=told.mean_absolute,
    )


def _interval(estimate: Estimate) -> Interval:
    return Interval(value=estimate.value, low=estimate.low, high=estimate.high)
