"""Who saw or changed what, and when. Entries name things by their identifiers, never by content."""

from datetime import datetime, timedelta
from typing import Literal

from sqlalchemy import bindparam, select
from sqlalchemy.orm import Session

from service.store.columns import now
from service.store.models import AuditEntry, Person, Practice
from service.store.session import Store

Action = Literal["saw", "changed"]
MOST = 100  # entries told at once
_SAME_VISIT = timedelta(minutes=10)  # a page asks for the same thing many times
# Whom somebody looked at since a moment.
_SEEN = select(AuditEntry.subject_id).where(
    AuditEntry.at > bindparam("since"),
    AuditEntry.actor_id == bindparam("actor"),
    AuditEntry.action == "saw",
    AuditEntry.what == bindparam("what"),
)
_SEEN_ONE = _SEEN.where(
    AuditEntry.subject_id == bindparam("subject"), AuditEntry.object_id == bindparam("object")
).limit(1)


def record(
    db: Session, actor: Person, subject: Person | None, action: Action, what: str, object_id: str = ""
) -> None:
    """Add an entry: `actor` saw or changed `what` of `subject`."""
    db.add(_entry(actor, subject.id if subject else None, action, what, object_id))


def record_gone(db: Session, practice_id: str) -> None:
    """Note that somebody deleted their account; no longer who it was."""
    if db.get(Practice, practice_id) is not None:
        db.add(AuditEntry(practice_id=practice_id, action="changed", what="person_deleted"))


def look_at_list(store: Store, db: Session, actor: Person, subjects: set[str], what: str) -> None:
    """Note a look at a list that tells of several people, by their identifiers; of each once a visit."""
    visit = {"actor": actor.id, "what": what, "since": now() - _SAME_VISIT}
    new = subjects - set(db.scalars(_SEEN, visit)) - {actor.id}
    if new:
        with store.write() as writing:
            writing.add_all(_entry(actor, subject, "saw", what) for subject in sorted(new))


def seen_lately(db: Session, actor: Person, subject: Person, what: str, object_id: str = "") -> bool:
    """Whether the same look is noted already for this visit."""
    visit = {"actor": actor.id, "what": what, "since": now() - _SAME_VISIT}
    return db.scalar(_SEEN_ONE, visit | {"subject": subject.id, "object": object_id}) is not None


def about(db: Session, client: Person, before: datetime | None = None, limit: int = MOST) -> list[AuditEntry]:
    """The newest entries about one person."""
    return _newest(db, AuditEntry.subject_id == client.id, before, limit)


def of_practice(
    db: Session, owner: Person, before: datetime | None = None, limit: int = MOST
) -> list[AuditEntry]:
    """The newest entries of a whole practice."""
    return _newest(db, AuditEntry.practice_id == owner.practice_id, before, limit)


def _entry(
    actor: Person, subject_id: str | None, action: Action, what: str, object_id: str = ""
) -> AuditEntry:
    return AuditEntry(
        practice_id=actor.practice_id,
        actor_id=actor.id,
        subject_id=subject_id,
        action=action,
        what=what,
        object_id=object_id,
    )


def _newest(db: Session, which: object, before: datetime | None, limit: int) -> list[AuditEntry]:
    query = select(AuditEntry).where(which).order_by(AuditEntry.at.desc()).limit(limit)  # type: ignore[arg-type]
    return list(db.scalars(query if before is None else query.where(AuditEntry.at < before)))
