"""The series of all exercises as one table: a line a session and side, units in the header."""

import csv
from collections.abc import Iterable, Sequence
from pathlib import Path

from analysis.files import whole
from analysis.measurement_error import unit
from analysis.progress.follow import ExerciseProgress, Progress
from analysis.progress.sessions import EVERY, Point, in_time

DECIMALS = 3
_FIXED = ("exercise", "side", "session", "date")


def write_csv(progress: Progress, path: Path | str) -> None:
    """Write the table as CSV, UTF-8; the file appears only when whole. Raises ReportError."""
    with whole(path) as part, part.open("w", newline="", encoding="utf-8") as file:
        csv.writer(file).writerows(rows(progress))


def rows(progress: Progress) -> Iterable[Sequence[object]]:
    """The header, then a line a session and side; three columns a measure, empty where it is missing."""
    measures = [m for m in EVERY if any(s.measure == m for part in progress.exercises for s in part.series)]
    yield [*_FIXED, *(heading for measure in measures for heading in _headings(measure))]
    for part in progress.exercises:
        for side in dict.fromkeys(s.side for s in part.series):
            yield from _lines(part, side, measures)


def _headings(measure: str) -> Iterable[str]:
    kind = unit(measure)
    name = measure.removesuffix(f"_{kind}").removesuffix("_pct")
    return f"{name} [{kind}]", f"{name} 95 % half-width [{kind}]", f"{name} repetitions"


def _lines(part: ExerciseProgress, side: str, measures: Sequence[str]) -> Iterable[Sequence[object]]:
    points = {(s.measure, p.name): p for s in part.series if s.side == side for p in s.points}
    sessions = {p.name: p.at for p in in_time(points.values())}
    for name, at in sessions.items():
        cells = [cell for m in measures for cell in _cells(points.get((m, name)))]
        yield [part.exercise, side, name, at.date().isoformat() if at else None, *cells]


def _cells(point: Point | None) -> Iterable[object]:
    if point is None:
        return (None, None, None)
    half = point.half_width
    return (round(point.value, DECIMALS), half if half is None else round(half, DECIMALS), point.repetitions)
