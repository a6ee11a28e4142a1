"""Many sessions of one client to one record: series, changes, remarks and proposals per exercise."""

from collections.abc import Sequence
from datetime import datetime

from analysis import cautions
from analysis.errors import ReportError
from analysis.progress import proposals, remarks
from analysis.progress.archive import Skipped, tidy
from analysis.progress.change import ON_CHANGES, Change, change
from analysis.progress.sessions import Series, Session, by_exercise, series_of
from analysis.records import Caution, Record


class ExerciseProgress(Record):
    """One exercise over the weeks; `sessions` counts the clips, usable or not."""

    exercise: str
    sessions: int
    series: tuple[Series, ...]
    changes: tuple[Change, ...]
    remarks: tuple[remarks.Remark, ...]
    proposal: proposals.Proposal | None


class Progress(Record):
    """Everything told about one client's sessions; the command line, the pages and the API show this."""

    exercises: tuple[ExerciseProgress, ...]
    remarks: tuple[remarks.Remark, ...]
    skipped: tuple[Skipped, ...]
    on_changes: str = ON_CHANGES
    cautions: tuple[Caution, ...]


def follow(
    sessions: Sequence[Session],
    *,
    skipped: Sequence[Skipped] = (),
    today: datetime | None = None,
    cleared: datetime | None = None,
) -> Progress:
    """Series, changes, remarks and proposals from one client's dated sessions, in any order.

    `today` lets a pause that still goes on be pointed out. Warning signs stay open, and withhold every
    proposal, until a clinician has cleared them: `cleared` is the moment when that was last done.
    """
    ordered, twice = tidy(sessions)
    signs = proposals.open_signs(ordered, cleared)
    return Progress(
        exercises=tuple(_exercise(group, signs) for group in by_exercise(ordered).values()),
        remarks=(*remarks.warning_signs(signs), *remarks.missed_practice(ordered, today)),
        skipped=(*skipped, *twice),
        cautions=cautions.load().caution,
    )


def _exercise(group: Sequence[Session], signs: Sequence[cautions.WarningSign]) -> ExerciseProgress:
    series = series_of(group)
    changes = tuple(c for s in series if (c := change(s)))
    return ExerciseProgress(
        exercise=group[0].report.exercise,
        sessions=len(group),
        series=series,
        changes=changes,
        remarks=remarks.of_exercise(group, series, changes),
        proposal=proposals.propose(group, signs),
    )


def compare(sessions: Sequence[Session]) -> tuple[ExerciseProgress, tuple[Skipped, ...]]:
    """Two sessions or more of one exercise, dated or in the order given; and the duplicates left out.

    Raises ReportError where the exercises or clients differ, or fewer than two sessions remain.
    """
    for name, found in (
        ("exercise", {s.report.exercise for s in sessions}),
        ("client", {s.report.session.client for s in sessions} - {None}),
    ):
        if len(found) > 1:
            names = ", ".join(sorted(map(str, found)))
            raise ReportError(f"Only reports of one {name} can be compared; these are of {names}.")
    ordered, skipped = tidy(sessions)
    if len(ordered) < 2:
        twice = "".join(f" {s.name}: {s.reason}" for s in skipped)
        raise ReportError(f"Comparing needs two different sessions.{twice} Name another report.")
    return _exercise(ordered, proposals.open_signs(ordered, None)), skipped
