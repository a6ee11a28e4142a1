"""What changed between two sessions, and whether measurement alone could explain it."""

import math
from collections.abc import Sequence
from datetime import date, datetime
from typing import Final

from analysis.progress import limits
from analysis.progress.sessions import Point, Series
from analysis.records import Number, Record, RepetitionSide
from analysis.report.words import amount
from analysis.statistics import change_limit

# Said once beside any list of changes: what the word "real" does not promise.
ON_CHANGES: Final = (
    "Real means larger than measurement alone explains, 19 times in 20: of twenty measures that stayed the "
    "same, one may still cross the line. A tired or stiff day is a real change too: look at the next session "
    "before you act on one. From four sessions on, the first two and the last two are averaged."
)


class Change(Record):
    """The end of a series against its start.

    `first` and `last` are single sessions, or from four sessions on the means of two, so that one odd day
    weighs less; `sessions` says how many. `limit` is the minimal detectable change (95 %), null where it
    is unknown; `real` is null with it. `caution` says when a measurement by hand could not confirm it.
    """

    exercise: str
    side: RepetitionSide
    measure: str
    unit: str
    first: Point
    last: Point
    sessions: int
    difference: float
    limit: Number
    real: bool | None
    text: str
    caution: str = ""


def detectable(a: Point, b: Point) -> float | None:
    """Minimal detectable change between two points; None where one has no half-width."""
    if a.half_width is None or b.half_width is None:
        return None
    return change_limit(a.half_width, b.half_width)


def differs(a: Point, b: Point) -> bool:
    """Whether b differs from a by more than measurement explains; unknown error never counts."""
    limit = detectable(a, b)
    return limit is not None and abs(b.value - a.value) > limit


def change(series: Series) -> Change | None:
    """Change over a series; None for fewer than two points: nothing is told from one session."""
    if len(series.points) < 2:
        return None
    sessions = 2 if len(series.points) >= 4 else 1
    first, last = mean_point(series.points[:sessions]), mean_point(series.points[-sessions:])
    limit, difference = detectable(first, last), last.value - first.value
    real = None if limit is None else differs(first, last)
    return Change(
        exercise=series.exercise,
        side=series.side,
        measure=series.measure,
        unit=series.unit,
        first=first,
        last=last,
        sessions=sessions,
        difference=difference,
        limit=limit,
        real=real,
        text=_told(series, first, last, limit),
        caution=_by_hand(series, difference) if real else "",
    )


def mean_point(points: Sequence[Point]) -> Point:
    """The mean of a few sessions as one point; errors of different clips are independent."""
    halves = [math.nan if p.half_width is None else p.half_width for p in points]
    return Point(
        at=points[0].at,
        name=" and ".join(p.name for p in points),
        value=sum(p.value for p in points) / len(points),
        half_width=math.hypot(*halves) / len(points),
        repetitions=sum(p.repetitions for p in points),
    )


def title(series: Series) -> str:
    """What people call a series, such as "Range, left"."""
    side = "" if series.side == "both" else f", {series.side}"
    return f"{limits.label(series.measure)}{side}"


def day(at: datetime | None, name: str) -> str:
    """The day of a session for people, or its name where the date is unknown."""
    return written(at) if at else name


def written(at: date) -> str:
    """A date for people, such as "4 March 2026"."""
    return f"{at.day} {at:%B %Y}"


def _told(series: Series, first: Point, last: Point, limit: float | None) -> str:
    path = f"{title(series)}: {amount(first.value, series.unit)}, then {amount(last.value, series.unit)}"
    if limit is None:
        return f"{path}. How large the error is cannot be told, so neither can a change."
    if limit > max(abs(first.value), abs(last.value)):
        return f"{path}. The error is larger than the values themselves: no change can be told."
    error = amount(limit, series.unit)
    if not differs(first, last):
        return f"{path}. Measurement alone can differ by {error}: no change can be told."
    words = limits.load().measure[series.measure]
    way = words.rise if last.value > first.value else words.fall
    return f"{path}: {way}. Measurement alone explains {error} at most: a real change."


def _by_hand(series: Series, difference: float) -> str:
    """A caution for changes of range that a goniometer could not confirm."""
    errors = limits.load().by_hand
    smallest = min(errors, key=lambda e: e.deg)
    if series.measure != "range_deg" or abs(difference) >= smallest.deg:
        return ""
    return f"A measurement by hand could not confirm a change this small ({smallest.source})."
