"""Results over weeks, and results to take along."""

import logging
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import Final, Literal

from sqlalchemy import Executable, bindparam, func, select
from sqlalchemy.orm import Session, lazyload

from analysis import exports
from analysis import report as page
from analysis.exports.fhir import Acceptance
from analysis.progress import Progress, follow, proposals
from analysis.progress import Session as Sitting
from analysis.progress.archive import tidy
from analysis.progress.proposals import Proposal
from analysis.progress.sessions import by_exercise
from analysis.records import Report
from service import joints, review, scratch, sessions
from service.files import Files
from service.store.columns import now
from service.store.models import Clip, Person, PracticeSession, StoredReport

_MEASURED = (
    select(Clip, StoredReport.slim, PracticeSession)
    .options(lazyload(Clip.job))
    .join(StoredReport, StoredReport.clip_id == Clip.id)
    .outerjoin(PracticeSession, PracticeSession.id == Clip.session_id)
    .where(Clip.client_id == bindparam("client"))
    .order_by(Clip.created_at)
)
# Of them only the last of each exercise that were usable.
_BACK = func.row_number().over(partition_by=Clip.exercise, order_by=Clip.created_at.desc()).label("back")
_USABLE = (
    select(Clip.id, _BACK)
    .join(StoredReport, StoredReport.clip_id == Clip.id)
    .where(Clip.client_id == bindparam("client"), StoredReport.usable)
    .subquery()
)
_ASKED = _MEASURED.where(Clip.id.in_(select(_USABLE.c.id).where(_USABLE.c.back <= bindparam("most"))))

# It tells of every style that only screens use.
logging.getLogger("weasyprint").setLevel(logging.ERROR)

Form = Literal["json", "html", "pdf", "repetitions.csv", "curves.csv", "fhir.json", "c3d"]
MEDIA: Final[dict[Form, str]] = {
    "json": "application/json",
    "html": "text/html",
    "pdf": "application/pdf",
    "repetitions.csv": "text/csv",
    "curves.csv": "text/csv",
    "fhir.json": "application/fhir+json",
    "c3d": "application/octet-stream",
}


def over_weeks(db: Session, client: Person) -> Progress:
    """Series, real changes, remarks and proposals of one client; sessions are named by their clips.

    While a warning sign is open nothing is proposed.
    """
    told = follow(_sittings(db, _MEASURED, client), today=now(), cleared=_last_cleared(db, client.id))
    if sessions.open_stop(db, client.id) is None:
        return told
    bare = tuple(e.model_copy(update={"proposal": None}) for e in told.exercises)
    return told.model_copy(update={"exercises": bare})


def advised(db: Session, client: Person) -> dict[str, Proposal]:
    """The proposals of `over_weeks` by exercise, from no more sessions than they ask about."""
    if sessions.open_stop(db, client.id) is not None:
        return {}
    ordered, _ = tidy(_sittings(db, _ASKED, client, most=_most_asked()))
    signs = proposals.open_signs(ordered, _last_cleared(db, client.id))
    found = {name: proposals.propose(group, signs) for name, group in by_exercise(ordered).items()}
    return {name: proposal for name, proposal in found.items() if proposal is not None}


@cache
def _most_asked() -> int:
    """How many of the last usable sessions of an exercise a proposal may depend on."""
    rules = [proposals.load().conditions_of(name) for name in proposals.load().exercise]
    return max(max(rule.sound_sessions, rule.flagged_sessions) for rule in rules)


def written(db: Session, files: Files, work_dir: Path, clip: Clip, form: Form) -> bytes:
    """A clip's report in one of its forms. Raises NotFound, and ReportError where it cannot be made."""
    report, row = review.report(db, clip), review.stored(db, clip)
    with scratch.room(work_dir) as folder:
        path = folder / f"report.{form}"
        match form:
            case "json":
                page.write_json(report, path)
            case "html":
                page.write_html(report, path)
            case "pdf":
                page.write_pdf(report, path)
            case "c3d":
                exports.write_c3d(report, path, joints.of_clip(files, clip, folder / "joints"))
            case "curves.csv":
                exports.write_csv(report, path)
            case "repetitions.csv":
                path = exports.write_csv(report, path)
            case "fhir.json":
                exports.write_fhir(report, path, clip.client_id, accepted=_accepted(db, row))
        return path.read_bytes()


def _accepted(db: Session, row: StoredReport) -> Acceptance | None:
    """By whom a report was reviewed, by role; until then its values are preliminary."""
    reviewer = db.get(Person, row.reviewed_by) if row.reviewed_by else None
    return Acceptance(by=reviewer.role) if reviewer else None


def _sittings(db: Session, query: Executable, client: Person, **more: int) -> list[Sitting]:
    return [
        Sitting(clip.id, _with_notes(clip, body, session), clip.created_at)
        for clip, body, session in db.execute(query, {"client": client.id, **more})
    ]


def _with_notes(clip: Clip, body: str, session: PracticeSession | None) -> Report:
    return Report.model_validate_json(body).model_copy(update={"session": sessions.noted(clip, session)})


def _last_cleared(db: Session, client_id: str) -> datetime | None:
    query = select(func.max(PracticeSession.cleared_at)).where(PracticeSession.client_id == client_id)
    return db.scalar(query)
