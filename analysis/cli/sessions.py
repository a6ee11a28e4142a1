"""`matline compare` and `matline progress`: reports of several sessions."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer
from rich.markup import escape

from analysis import cautions
from analysis import progress as weeks
from analysis.cli.console import out
from analysis.cli.further import as_command, day, output
from analysis.errors import ReportError
from analysis.files import check_writable, whole
from analysis.progress.archive import Skipped, unusable
from analysis.progress.change import ON_CHANGES, written
from analysis.progress.follow import ExerciseProgress, Progress
from analysis.progress.page import name_of
from analysis.records import Caution
from analysis.report import read_json

Reports = Annotated[
    list[Path],
    typer.Argument(metavar="REPORT", help="Reports written with --json.", show_default=False, readable=False),
]


def _compare(reports: Reports) -> None:
    """Compare two or more sessions of one exercise: what changed beyond the measurement error.

    Sessions are put in order of their dates. Without dates they stay in the order given.
    A file that cannot be read is named and left out, as long as two are left.
    """
    sessions, damaged = _read(reports)
    part, twice = weeks.compare(sessions)
    _show_exercise(part)
    _show_left_out([*damaged, *twice])
    _show_reading(ON_CHANGES, cautions.load().caution)


def _read(reports: Sequence[Path]) -> tuple[list[weeks.Session], list[Skipped]]:
    """Those that can be read, and the others; raises the first error where too few are left."""
    sessions, damaged, errors = [], [], []
    for path in reports:
        try:
            sessions.append(weeks.Session.of(path.stem, read_json(path)))
        except ReportError as error:
            damaged.append(unusable(path, error))
            errors.append(error)
    if errors and len(sessions) < 2:
        raise errors[0]
    return sessions, damaged


def _progress(
    folder: Annotated[
        Path, typer.Argument(metavar="FOLDER", help="Holds reports written with --json.", readable=False)
    ],
    client: Annotated[str | None, typer.Option(metavar="PSEUDONYM", help="Whose reports to follow.")] = None,
    cleared: Annotated[
        datetime | None,
        typer.Option(
            parser=day,
            metavar="DATE",
            help="A clinician cleared the warning signs reported up to the end of this day.",
        ),
    ] = None,
    html: Annotated[Path | None, output("The same as a page.")] = None,
    pdf: Annotated[Path | None, output("The same as a PDF for the notes.")] = None,
    csv: Annotated[Path | None, output("The series as a table, a line a session and side.")] = None,
    json: Annotated[Path | None, output("The same as data.")] = None,
) -> None:
    """Follow one client's reports over weeks: what changed for real, and what to consider next.

    Each report needs a date: the one it was measured with, or one in its name such as
    toe_tap_2026-03-04.json. A file that cannot be used is named and left out.
    """
    outputs = Outputs(html, pdf, csv, json)
    outputs.check(folder)
    sessions, skipped = weeks.read_folder(folder, client)
    end_of_day = cleared and cleared.replace(hour=23, minute=59, second=59)
    told = weeks.follow(sessions, skipped=skipped, today=datetime.now(UTC), cleared=end_of_day)
    _show(told)
    outputs.write(told, client or sessions[0].report.session.client)


@dataclass(frozen=True)
class Outputs:
    """Files asked for; None where not."""

    html: Path | None
    pdf: Path | None
    csv: Path | None
    json: Path | None

    def check(self, folder: Path) -> None:
        """Raise ReportError where one could not be written, or would be read as a report the next time."""
        for path in self._asked():
            check_writable(path)
            if path.suffix == ".json" and path.resolve().parent == folder.resolve():
                raise ReportError(f"{path} would lie among the reports. Choose another folder for it.")

    def write(self, told: Progress, client: str | None) -> None:
        """Write each, and say so."""
        if self.html:
            weeks.write_html(told, self.html, client)
        if self.pdf:
            weeks.write_pdf(told, self.pdf, client)
        if self.csv:
            weeks.write_csv(told, self.csv)
        if self.json:
            with whole(self.json) as part:
                part.write_text(told.model_dump_json() + "\n", "utf-8")
        for path in self._asked():
            out.print(f"Written: {path}", soft_wrap=True)

    def _asked(self) -> list[Path]:
        return [path for path in (self.html, self.pdf, self.csv, self.json) if path]


def _show(told: Progress) -> None:
    for remark in told.remarks:
        style = "[bold red]Warning sign.[/] " if remark.kind == "warning_sign" else ""
        out.print(f"• {style}{escape(remark.text)}")
    for part in told.exercises:
        _show_exercise(part)
    _show_left_out(told.skipped)
    _show_reading(told.on_changes, told.cautions)


def _show_exercise(part: ExerciseProgress) -> None:
    out.print(
        f"\n[bold]{escape(name_of(part.exercise))}[/], {part.sessions} session{'s' * (part.sessions > 1)}"
    )
    _show_days(part)
    for change in part.changes:
        sign = "≠" if change.real else "?" if change.real is None else "≈"
        out.print(f"{sign} {escape(change.text)} {escape(change.caution)}".rstrip())
    for remark in part.remarks:
        out.print(f"• {escape(remark.text)}")
    if proposal := part.proposal:
        out.print(
            f"[bold]For {proposal.needs}:[/] {escape(proposal.text)} {escape(proposal.caution)}".rstrip()
        )
        for reason in proposal.reasons:
            out.print(f"  because: {escape(reason)}")


def _show_days(part: ExerciseProgress) -> None:
    days = sorted(p.at for series in part.series for p in series.points if p.at)
    if days:
        first, last = written(days[0]), written(days[-1])
        out.print(f"On {first}." if first == last else f"From {first} to {last}.")


def _show_left_out(skipped: Sequence[Skipped]) -> None:
    for item in skipped:
        out.print(f"Left out: {escape(item.name)}. {escape(item.reason)}", soft_wrap=True)


def _show_reading(on_changes: str, warnings: Sequence[Caution]) -> None:
    out.print(f"\n{on_changes}\n\n[bold]Before you use this[/]")
    for caution in warnings:
        out.print(f"• {escape(caution.text)}")


compare = as_command(_compare)
progress = as_command(_progress)
