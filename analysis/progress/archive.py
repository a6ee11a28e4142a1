"""Report files to sessions: a file that cannot be used is named and left out, the others are kept."""

from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from pathlib import Path

from analysis.errors import MatlineError, ReportError
from analysis.progress.sessions import Session
from analysis.records import Record
from analysis.report import read_json


class Skipped(Record):
    """A file or session that was left out, and why."""

    name: str
    reason: str


def read_folder(folder: Path | str, client: str | None = None) -> tuple[list[Session], tuple[Skipped, ...]]:
    """Sessions of one client from every .json file of a folder, oldest first; and what was left out.

    `client` chooses a pseudonym. Raises ReportError where there is no folder, no report, or more than
    one client and none is chosen.
    """
    folder = Path(folder)
    if not folder.is_dir():
        raise ReportError(f"There is no folder {folder}. Name the folder that holds the reports.")
    sessions, skipped = read_files(sorted(folder.glob("*.json")))
    of_client = [s for s in sessions if client is None or s.report.session.client == client]
    if not of_client:
        others = f" of {client}" if client and sessions else ""
        told = "".join(f"\n  {s.name}: {s.reason}" for s in skipped)
        raise ReportError(f"{folder} holds no usable report{others}. Save reports there with `--json`.{told}")
    _one_client(of_client)
    return of_client, skipped


def read_files(paths: Iterable[Path | str]) -> tuple[list[Session], tuple[Skipped, ...]]:
    """Sessions from report files, oldest first; and the files left out: unreadable, undated, duplicates."""
    sessions: list[Session] = []
    skipped: list[Skipped] = []
    for path in map(Path, paths):
        try:
            session = Session.of(path.stem, read_json(path))
        except MatlineError as error:
            skipped.append(unusable(path, error))
            continue
        if session.at is None:
            reason = "It has no date. Put one in its name, such as toe_tap_2026-03-04.json."
            skipped.append(Skipped(name=path.name, reason=reason))
        else:
            sessions.append(session)
    ordered, twice = tidy(sessions)
    return ordered, (*skipped, *twice)


def unusable(path: Path, error: MatlineError) -> Skipped:
    """A file that cannot be read as a report, without the place where it lies."""
    return Skipped(name=path.name, reason=f"It{str(error).removeprefix(str(path))}")


def tidy(sessions: Sequence[Session]) -> tuple[list[Session], tuple[Skipped, ...]]:
    """Sessions in order of time, each once; and the duplicates.

    The same clip measured again counts as the same session. Where a date is missing, the order given stays.
    """
    kept: dict[tuple[object, ...], Session] = {}
    skipped = []
    for session in sessions:
        first = kept.setdefault(_identity(session), session)
        if first is not session:
            skipped.append(Skipped(name=session.name, reason=f"It is the same session as {first.name}."))
    ordered = list(kept.values())
    if all(s.at is not None for s in ordered):
        ordered.sort(key=lambda s: s.at or datetime.min.replace(tzinfo=UTC))
    return ordered, tuple(skipped)


def _identity(session: Session) -> tuple[object, ...]:
    """What two reports of the same clip share: its size and, where known, its moment; else its content."""
    report = session.report
    moment = report.session.recorded_at or report.model_dump_json(exclude={"session", "cautions"})
    return report.exercise, report.session.client, report.clip, moment


def _one_client(sessions: Sequence[Session]) -> None:
    clients = sorted({s.report.session.client for s in sessions} - {None}, key=str)
    if len(clients) > 1:
        names = ", ".join(map(str, clients))
        raise ReportError(f"These reports are of more than one client ({names}). Choose one with --client.")
