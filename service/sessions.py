"""A client's sessions: pain before and after, and the warning signs.

A warning sign reported ends the session before it begins, and so does strong pain, which counts as one. It
stays open until a coach or physio has seen to it; as long as it is open the client is told whom to call, and
gets no exercise advice.
"""

from collections.abc import Sequence
from contextlib import suppress
from datetime import date

from sqlalchemy import bindparam, func, select
from sqlalchemy.orm import Session, aliased, load_only

from analysis import cautions, own_range
from analysis.errors import ReportError
from analysis.records import Report, SessionNotes
from service import audit, consent
from service.errors import CareFirst, Conflict, Refused
from service.records.sessions import BeforeOut, CareOut, PainChange, QuestionOut, SessionOut, StartIn
from service.store.columns import now
from service.store.models import Clip, Person, PracticeSession, StoredReport

_OF_CLIENTS = select(PracticeSession).where(
    PracticeSession.client_id.in_(bindparam("clients", expanding=True))
)
_STOPPED = _OF_CLIENTS.where(
    PracticeSession.stopped_at.is_not(None), PracticeSession.cleared_at.is_(None)
).order_by(PracticeSession.started_at)
_LATEST = (
    select(PracticeSession)
    .where(PracticeSession.client_id == bindparam("client"))
    .order_by(PracticeSession.started_at.desc())
    .limit(bindparam("most"))
)
_CLEARED = select(PracticeSession.answers).where(
    PracticeSession.client_id == bindparam("client"), PracticeSession.cleared_at.is_not(None)
)
_ONE = aliased(PracticeSession)
_LAST = select(func.max(_ONE.started_at)).where(_ONE.client_id == PracticeSession.client_id)
_NEWEST = _OF_CLIENTS.where(PracticeSession.started_at == _LAST.scalar_subquery()).options(
    load_only(
        PracticeSession.client_id, PracticeSession.day, PracticeSession.stopped_at, PracticeSession.cleared_at
    )
)


def questions() -> BeforeOut:
    """What is asked before a session."""
    all_ = cautions.load()
    asked = [QuestionOut(kind=s.kind, question=s.question) for s in all_.warning_sign]
    return BeforeOut(cautions=all_.caution, pain=all_.pain, questions=asked)


def start(db: Session, client: Person, data: StartIn) -> PracticeSession:
    """Start a session, or one that ends at once where a warning sign is reported.

    Raises CareFirst while an earlier warning sign is open, Refused where a question is unanswered.
    """
    consent.require(db, client.id, "measure")
    require_no_stop(db, client)
    asked = {q.kind for q in questions().questions}
    if set(data.answers) != asked:
        raise Refused("Answer every question, each with yes or no.")
    signs = dict(data.answers)
    if data.pain_before >= pain_limit(client):
        signs[cautions.load().pain.sign.kind] = True
    row = PracticeSession(
        client_id=client.id, day=data.day or date.today(), pain_before=data.pain_before, answers=signs
    )
    if any(signs.values()):
        row.stopped_at = row.ended_at = now()
    db.add(row)
    db.flush()
    audit.record(db, client, client, "changed", "session", row.id)
    return row


def pain_limit(client: Person) -> int:
    """Pain (0-10) from which a client's session does not start: what was set for them, or the common one."""
    return client.pain_limit or cautions.load().pain.strong_from


def set_pain_limit(db: Session, by: Person, client: Person, pain: int) -> None:
    """Set for one client from which pain on a session does not start."""
    client.pain_limit = pain
    audit.record(db, by, client, "changed", "pain_limit")


def end(db: Session, client: Person, row: PracticeSession, pain_after: int) -> PracticeSession:
    """End a session with the pain felt now; raises Conflict where it has ended."""
    if row.ended_at is not None:
        raise Conflict("This session has ended already.")
    row.pain_after, row.ended_at = pain_after, now()
    audit.record(db, client, client, "changed", "session", row.id)
    return row


def clear(db: Session, by: Person, row: PracticeSession, note: str) -> PracticeSession:
    """Note that a coach or physio has seen to a warning sign; the client may start again."""
    if row.stopped_at is None or row.cleared_at is not None:
        raise Conflict("There is no open warning sign in this session.")
    row.cleared_at, row.cleared_by, row.cleared_note = now(), by.id, note
    audit.record(db, by, db.get(Person, row.client_id), "changed", "warning_sign", row.id)
    return row


def open_stop(db: Session, client_id: str) -> PracticeSession | None:
    """The session whose warning sign nobody has seen to yet."""
    return open_stops(db, [client_id]).get(client_id)


def open_stops(db: Session, client_ids: Sequence[str]) -> dict[str, PracticeSession]:
    """The same for several clients at once: client -> session, where there is one."""
    return {row.client_id: row for row in db.scalars(_STOPPED, {"clients": client_ids})}


def require_no_stop(db: Session, client: Person) -> None:
    """Raise CareFirst, which says whom to call, while a warning sign is open."""
    row = open_stop(db, client.id)
    if row is not None:
        advice = care(client, row)
        raise CareFirst(" ".join([advice.text, *advice.contacts, advice.practice_contact]).strip())


def care(client: Person, row: PracticeSession) -> CareOut:
    """Whom to call about the warning signs of a session, most urgent first."""
    signs = cautions.referrals([kind for kind, yes in row.answers.items() if yes])
    return CareOut(
        text=cautions.load().advice_withheld.text,
        contacts=list(dict.fromkeys(sign.contact for sign in signs)),
        practice_contact=client.practice.contact,
    )


def seen_to(db: Session, client_id: str) -> list[str]:
    """Questions about what may last that were answered with yes and then cleared.

    What is urgent is not among them: it is to be answered anew each time.
    """
    cleared = db.scalars(_CLEARED, {"client": client_id})
    kinds = {kind for answers in cleared for kind, yes in answers.items() if yes}
    return [s.question for s in cautions.referrals(kinds) if s.urgency == "before_exercise"]


def latest(db: Session, client_id: str, limit: int = 100) -> list[PracticeSession]:
    """Sessions, newest first."""
    return list(db.scalars(_LATEST, {"client": client_id, "most": limit}))


def newest(db: Session, client_ids: Sequence[str]) -> dict[str, PracticeSession]:
    """The newest session of each of several clients, where there is one; of it only what lists show."""
    return {row.client_id: row for row in db.scalars(_NEWEST, {"clients": client_ids})}


def current(db: Session, client_id: str, day: date) -> PracticeSession | None:
    """The session of a day that has not ended."""
    return next((s for s in latest(db, client_id, 5) if s.day == day and s.ended_at is None), None)


def described(client: Person, row: PracticeSession) -> SessionOut:
    """A session with what follows from it: whom to call, or what to do where pain rose."""
    out = SessionOut.model_validate(row)
    if row.stopped_at is not None and row.cleared_at is None:
        out.care = care(client, row)
    pain = cautions.load().pain
    if row.pain_before is not None and row.pain_before >= pain.strong_from:
        out.strong = pain.strong
    if pain_change(row) == "rose":
        out.caution = next(c.text for c in cautions.load().caution if c.kind == "stop")
    return out


def notes(db: Session, clip: Clip) -> SessionNotes:
    """What belongs to a report but not to its picture: when, for whom (a pseudonym), pain, warning signs."""
    row = db.get(PracticeSession, clip.session_id) if clip.session_id else None
    return noted(clip, row, _tuck_arch_deg(db, clip))


def noted(clip: Clip, row: PracticeSession | None, tuck_arch_deg: float | None = None) -> SessionNotes:
    """The same from what is read already."""
    return SessionNotes(
        recorded_at=clip.created_at,
        client=clip.client_id,
        pain_before=row.pain_before if row else None,
        pain_after=row.pain_after if row else None,
        warning_signs=tuple(kind for kind, yes in row.answers.items() if yes) if row else (),
        tuck_arch_deg=tuck_arch_deg,
    )


def _tuck_arch_deg(db: Session, clip: Clip) -> float | None:
    """The client's own range of pelvic tilt, from the last clip of this session that tells it."""
    earlier = (
        select(StoredReport.slim)
        .join(Clip, Clip.id == StoredReport.clip_id)
        .where(Clip.session_id == clip.session_id, Clip.exercise == own_range.EXERCISE, Clip.id != clip.id)
        .order_by(Clip.created_at.desc())
    )
    for text in db.scalars(earlier) if clip.session_id else ():
        with suppress(ReportError):
            return own_range.tuck_arch_deg(Report.model_validate_json(text))
    return None


def pain_change(row: PracticeSession) -> PainChange:
    """Whether pain changed by as much as matters to a person (points, or share of the value before)."""
    if row.pain_before is None or row.pain_after is None:
        return "unknown"
    pain, change = cautions.load().pain, row.pain_after - row.pain_before
    matters = abs(change) >= pain.change_points or (
        row.pain_before > 0 and abs(change) / row.pain_before >= pain.change_share
    )
    if not matters or change == 0:
        return "same"
    return "rose" if change > 0 else "fell"
