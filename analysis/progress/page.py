"""Progress as one self-contained page, for a screen and paper; and as a tagged PDF for the notes."""

from collections.abc import Sequence
from functools import cache
from pathlib import Path

from jinja2 import ChoiceLoader, Environment, PackageLoader, StrictUndefined, Template
from markupsafe import Markup

from analysis import exercises, palette, printing
from analysis.files import whole
from analysis.progress.change import Change, day
from analysis.progress.follow import ExerciseProgress, Progress
from analysis.progress.limits import label
from analysis.progress.sessions import Point, Series, in_time
from analysis.progress.trend import trend
from analysis.report.words import amount, words


def page(progress: Progress, client: str | None = None) -> str:
    """HTML of the progress of one client (a pseudonym): cautions first, nothing loaded from elsewhere."""
    return _template().render(progress=progress, client=client, words=words())


def write_html(progress: Progress, path: Path | str, client: str | None = None) -> None:
    """Write the page; the file appears only when whole. Raises ReportError."""
    with whole(path) as part:
        part.write_text(page(progress, client), "utf-8")


def write_pdf(progress: Progress, path: Path | str, client: str | None = None) -> None:
    """Write the same page as a tagged PDF (PDF/UA-1), A4. Raises ReportError."""
    printing.write_pdf(page(progress, client), path)


def name_of(exercise: str) -> str:
    """What people call an exercise; its own name where it is not one of ours."""
    return exercises.load(exercise).title if exercise in exercises.names() else exercise


def _real_first(changes: Sequence[Change]) -> list[Change]:
    return sorted(changes, key=lambda change: not change.real)


def _rows(sides: Sequence[Series]) -> list[tuple[str, list[Point | None]]]:
    """A row a session, in order of time: its day, and the point of each side where there is one."""
    points = {(p.name, s.side): p for s in sides for p in s.points}
    sessions = {p.name: p.at for p in in_time(points.values())}
    return [(day(at, name), [points.get((name, s.side)) for s in sides]) for name, at in sessions.items()]


def _drawings(progress: ExerciseProgress) -> list[tuple[str, list[Series], Markup]]:
    """Title, series and drawing of each measure with at least two sessions, both sides together."""
    grouped: dict[str, list[Series]] = {}
    for series in progress.series:
        if len(series.points) > 1:
            grouped.setdefault(series.measure, []).append(series)
    return [(label(measure), sides, Markup(trend(sides))) for measure, sides in grouped.items()]


@cache
def _template() -> Template:
    env = Environment(
        loader=ChoiceLoader([PackageLoader("analysis.progress", "."), PackageLoader("analysis.report", ".")]),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    env.globals.update(
        drawings=_drawings,
        rows=_rows,
        real_first=_real_first,
        name_of=name_of,
        day=day,
        palette=palette.PALETTE,
    )
    env.filters.update(amount=amount)
    return env.get_template("progress.html")
