"""One session is one report with its date; a series is one measure of one side over sessions."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache

import numpy as np
from pydantic import AwareDatetime
from scipy import stats

from analysis.conventions import SIDES
from analysis.measurement_error import between_clips, unit
from analysis.records import Floats, Measures, Number, Record, RepetitionSide, Report
from analysis.statistics import Z95

SOUND = "sound_pct"
EVERY = (*Measures.model_fields, SOUND)

_DATE = re.compile(r"(?<!\d)20\d\d-\d\d-\d\d(?!\d)")


@dataclass(frozen=True, eq=False)
class Session:
    """A report with the name that people know it by; `at` is None where no date is known."""

    name: str
    report: Report
    at: datetime | None

    @staticmethod
    def of(name: str, report: Report) -> Session:
        """Date from the report's notes, else from a date such as 2026-03-04 in the name."""
        return Session(name, report, report.session.recorded_at or _date_in(name))


class Point(Record):
    """One measure of one side in one session: the mean of its repetitions.

    `half_width` is the 95 % half-width of that mean, measurement and spread together; null where the
    spread cannot be known (never more than one repetition a session).
    """

    at: AwareDatetime | None
    name: str
    value: float
    half_width: Number
    repetitions: int


class Series(Record):
    """One measure of one side of one exercise, in order of time."""

    exercise: str
    side: RepetitionSide
    measure: str
    unit: str
    points: tuple[Point, ...]


def series_of(sessions: Sequence[Session], measures: Sequence[str] = EVERY) -> tuple[Series, ...]:
    """Series of sessions of one exercise that are already in order; unusable clips give no point."""
    usable = [s for s in sessions if s.report.capture.usable]
    sides: list[RepetitionSide] = ["left", "right", "both"]
    found = (_series(usable, side, measure) for side in sides for measure in measures)
    return tuple(series for series in found if series.points)


def _series(sessions: Sequence[Session], side: RepetitionSide, measure: str) -> Series:
    points = _sound_points(sessions, side) if measure == SOUND else _mean_points(sessions, side, measure)
    exercise = sessions[0].report.exercise if sessions else ""
    return Series(exercise=exercise, side=side, measure=measure, unit=unit(measure), points=tuple(points))


def _mean_points(sessions: Sequence[Session], side: RepetitionSide, measure: str) -> Iterable[Point]:
    """Means with half-widths. The spread of repetitions is pooled over all sessions and both sides."""
    samples = {session: known for session in sessions if (known := _amounts(session, side, measure)).size}
    others = [_amounts(s, other, measure) for s in sessions for other in SIDES if other != side]
    sets = [*samples.values(), *(x for x in others if side in SIDES and x.size)]
    freedom = sum(len(x) - 1 for x in sets)
    squares = sum(float(((x - x.mean()) ** 2).sum()) for x in sets)
    reach = _t975(freedom) * (squares / freedom) ** 0.5 if freedom else float("nan")
    for session, x in samples.items():
        own = _own(session.report, side, measure)
        half = float(np.hypot(own, reach / len(x) ** 0.5))
        yield Point(
            at=session.at, name=session.name, value=float(x.mean()), half_width=half, repetitions=len(x)
        )


def _amounts(session: Session, side: RepetitionSide, measure: str) -> Floats:
    """The measure in every judged repetition of the side that has it (N,)."""
    amounts = [getattr(r.measures, measure) for r in session.report.judged(side)]
    return np.array([a for a in amounts if a is not None], float)


def _own(report: Report, side: RepetitionSide, measure: str) -> float:
    """Half-width from measurement alone; of smoothness none is known, so only its spread counts."""
    return 0.0 if measure == "smoothness" else between_clips(report, side, measure)


@cache
def _t975(freedom: int) -> float:
    """97.5 % point of Student's t."""
    return float(stats.t.ppf(0.975, freedom))


def _sound_points(sessions: Sequence[Session], side: RepetitionSide) -> Iterable[Point]:
    """Share of sound repetitions [%]; half-widths by Agresti & Caffo 2000, meant for differences.

    Theirs are of shares drawn towards the middle by n / (n + 2), so they are stretched back by as much: the
    share told is the plain one.
    """
    for session in sessions:
        repetitions = session.report.judged(side)
        if not (n := len(repetitions)):
            continue
        sound = sum(r.verdict == "sound" for r in repetitions)
        share = (sound + 1) / (n + 2)
        half = 100 * Z95 * (share * (1 - share) / (n + 2)) ** 0.5 * (n + 2) / n
        yield Point(at=session.at, name=session.name, value=100 * sound / n, half_width=half, repetitions=n)


def in_time(points: Iterable[Point]) -> list[Point]:
    """Points in order of time; those without a date keep the order given."""
    return sorted(points, key=lambda p: p.at.timestamp() if p.at else 0.0)


def by_exercise(sessions: Iterable[Session]) -> dict[str, list[Session]]:
    """Sessions grouped by exercise, in the order given."""
    groups: dict[str, list[Session]] = defaultdict(list)
    for session in sessions:
        groups[session.report.exercise].append(session)
    return dict(groups)


def _date_in(name: str) -> datetime | None:
    found = _DATE.search(name)
    try:
        return datetime.fromisoformat(found.group()).replace(tzinfo=UTC) if found else None
    except ValueError:
        return None
