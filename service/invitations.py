"""Invitation links: one person, one use, for a few days; only a digest of the link's secret is kept."""

from datetime import timedelta

from sqlalchemy import bindparam, select, update
from sqlalchemy.orm import Session

from service import accounts, audit, consent
from service.errors import NotAllowed, NotFound
from service.secret import digest, new_token
from service.settings import Settings
from service.store.columns import now
from service.store.models import Invitation, Person, Role

_OPEN = (
    select(Invitation)
    .where(Invitation.created_by == bindparam("by"), Invitation.used_at.is_(None))
    .where(Invitation.expires_at > bindparam("now"))
    .order_by(Invitation.created_at.desc())
)


def invite(db: Session, settings: Settings, by: Person, role: Role) -> tuple[Invitation, str]:
    """Make an invitation; returns it and its secret, which is only told now.

    A coach or physio invites clients; only the owner of a practice invites colleagues.
    """
    if not by.is_staff or (role != "client" and not by.owner):
        raise NotAllowed("Only the owner of the practice may invite colleagues.")
    token = new_token()
    row = Invitation(
        practice_id=by.practice_id,
        created_by=by.id,
        role=role,
        digest=digest(token),
        expires_at=now() + timedelta(days=settings.invitation_days),
    )
    db.add(row)
    db.flush()
    audit.record(db, by, None, "changed", "invitation", row.id)
    return row, token


def open_invitations(db: Session, by: Person) -> list[Invitation]:
    """Invitations of the person that can still be used."""
    return list(db.scalars(_OPEN, {"by": by.id, "now": now()}))


def withdraw(db: Session, by: Person, invitation_id: str) -> None:
    """Make an invitation useless; raises NotFound where it is not the person's."""
    row = db.get(Invitation, invitation_id)
    if row is None or row.created_by != by.id:
        raise NotFound("invitation")
    db.delete(row)
    audit.record(db, by, None, "changed", "invitation", invitation_id)


def usable(db: Session, token: str) -> Invitation:
    """The invitation of a secret; raises NotFound where it is unknown, used or too old."""
    row = db.scalar(select(Invitation).where(Invitation.digest == digest(token)))
    if row is None or row.used_at is not None or row.expires_at < now():
        raise NotFound("invitation", "or it was used already, or is too old. Ask for a new one")
    return row


def join(db: Session, token: str, name: str, email: str, password_hash: str, *, agree: bool) -> Person:
    """Use an invitation: make the account. `agree` lets the inviting person see a client's data."""
    row = usable(db, token)
    # One of two who come at once wins: the row changes only while unused.
    taken = update(Invitation).where(Invitation.id == row.id, Invitation.used_at.is_(None))
    if db.execute(taken.values(used_at=now())).rowcount != 1:  # type: ignore[attr-defined]
        raise NotFound("invitation", "as it was used just now")
    person = accounts.add_person(db, row.practice_id, row.role, name, email, password_hash)
    if person.role == "client" and agree:
        consent.agree(db, person, row.created_by)
    return person
