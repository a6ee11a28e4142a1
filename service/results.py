"""Results over weeks, and results to take along."""

import logging
from datetime import datetime
from pathlib import Path
from typing import Final, Literal

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from analysis import exports
from analysis import report as page
from analysis.exports.fhir import Acceptance
from analysis.progress import Progress, follow
from analysis.progress import Session as Sitting
from analysis.records import Report
from service import review, scratch, sessions
from service.store.columns import now
from service.store.models import Clip, Person, PracticeSession, StoredReport

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
    query = select(Clip, StoredReport.slim).join(StoredReport, StoredReport.clip_id == Clip.id)
    query = query.where(Clip.client_id == client.id).order_by(Clip.created_at)
    rows = db.execute(query).unique()
    sittings = [Sitting(clip.id, _with_notes(db, clip, body), clip.created_at) for clip, body in rows]
    told = follow(sittings, today=now(), cleared=_last_cleared(db, client.id))
    if sessions.open_stop(db, client.id) is None:
        return told
    bare = tuple(e.model_copy(update={"proposal": None}) for e in told.exercises)
    return told.model_copy(update={"exercises": bare})


def written(db: Session, work_dir: Path, clip: Clip, form: Form) -> bytes:
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
                exports.write_c3d(report, path)
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


def _with_notes(db: Session, clip: Clip, body: str) -> Report:
    return Report.model_validate_json(body).model_copy(update={"session": sessions.notes(db, clip)})


def _last_cleared(db: Session, client_id: str) -> datetime | None:
    query = select(func.max(PracticeSession.cleared_at)).where(PracticeSession.client_id == client_id)
    return db.scalar(query)
