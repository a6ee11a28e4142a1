"""Routes of the practice: its settings, its people, invitations, its audit trail."""

from datetime import datetime

from fastapi import APIRouter
from sqlalchemy import select

from service import audit, invitations, privacy
from service.api.deps import APART, Db, FilesDep, Owner, PathId, QueueDep, ServicesDep, Staff, Viewer
from service.api.me import described_audit
from service.errors import Conflict, NotFound
from service.records.accounts import (
    AuditOut,
    InvitationOut,
    InviteIn,
    NewInvitationOut,
    OwnerIn,
    PersonOut,
    PracticeIn,
    PracticeOut,
)
from service.store.models import STAFF, Person, Practice

router = APIRouter(prefix="/practice", tags=["practice"])


@router.get("")
def practice(person: Viewer) -> PracticeOut:
    """The practice: whom to call, how long video is kept."""
    return PracticeOut.model_validate(person.practice)


@router.patch("")
def change_practice(data: PracticeIn, db: Db, person: Owner) -> PracticeOut:
    """Change what the practice has set."""
    row = db.get_one(Practice, person.practice_id)
    for name, value in data.model_dump(exclude_none=True).items():
        setattr(row, name, value)
    audit.record(db, person, None, "changed", "practice", row.id)
    return PracticeOut.model_validate(row)


@router.get("/people")
def people(db: Db, person: Owner) -> list[PersonOut]:
    """Everybody in the practice, by name; an owner sees accounts, not what is in them."""
    query = select(Person).where(Person.practice_id == person.practice_id).order_by(Person.name)
    return [PersonOut.model_validate(row) for row in db.scalars(query)]


@router.put("/people/{person_id}/owner", status_code=204)
def set_owner(person_id: PathId, data: OwnerIn, db: Db, person: Owner) -> None:
    """Make a colleague an owner, or no longer; nobody takes it from themselves."""
    row = db.get(Person, person_id)
    if row is None or row.practice_id != person.practice_id or row.role not in STAFF:
        raise NotFound("coach or physio")
    if row.id == person.id and not data.owner:
        raise Conflict("Another owner must do this.")
    row.owner = data.owner
    audit.record(db, person, row, "changed", "owner", row.id)


@router.delete("/people/{person_id}", status_code=204, dependencies=[APART])
def remove_person(
    person_id: PathId, services: ServicesDep, files: FilesDep, queue: QueueDep, person: Owner
) -> None:
    """Delete somebody's account and everything of theirs, as they may ask in writing."""
    with services.store.read() as db:
        row = db.get(Person, person_id)
    if row is None or row.practice_id != person.practice_id:
        raise NotFound("person")
    privacy.delete_person(services.store, files, queue, person_id)
    if person_id != person.id:
        with services.store.write() as db:
            audit.record(db, person, None, "changed", "person_deleted")


@router.get("/audit")
def practice_audit(db: Db, person: Owner, before: datetime | None = None) -> list[AuditOut]:
    """Who saw or changed what, newest first; `before` goes further back."""
    return described_audit(db, audit.of_practice(db, person, before))


@router.get("/invitations")
def my_invitations(db: Db, person: Staff) -> list[InvitationOut]:
    """My invitations that can still be used."""
    return [InvitationOut.model_validate(row) for row in invitations.open_invitations(db, person)]


@router.post("/invitations", status_code=201)
def invite(data: InviteIn, services: ServicesDep, db: Db, person: Staff) -> NewInvitationOut:
    """Make an invitation link, for one person and one use."""
    row, token = invitations.invite(db, services.settings, person, data.role)
    base = services.settings.public_url.rstrip("/")
    out = InvitationOut.model_validate(row)
    return NewInvitationOut(**out.model_dump(), link=f"{base}/join#{token}")


@router.delete("/invitations/{invitation_id}", status_code=204)
def withdraw_invitation(invitation_id: PathId, db: Db, person: Staff) -> None:
    """Make an invitation useless."""
    invitations.withdraw(db, person, invitation_id)
