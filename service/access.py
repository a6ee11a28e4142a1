"""Who may see what. Every route that names a client, a clip or another thing of theirs asks here.

A client sees their own. A coach or physio sees the clients of their practice who agreed to that.
Whatever else is asked for is answered as if it did not exist.
"""

from typing import TypeVar

from sqlalchemy import bindparam, select
from sqlalchemy.orm import Session, lazyload

from service import consent
from service.errors import NotAllowed, NotFound
from service.store.models import (
    Agreement,
    Base,
    Clip,
    Person,
    PracticeSession,
    ProgrammeItem,
    Proposal,
    Upload,
)

T = TypeVar("T", bound=Base)
# Clients who let a coach or physio of their practice see their data; one of them. Made once, as asked often.
_AGREED = (
    select(Person)
    .join(Agreement, Agreement.client_id == Person.id)
    .where(Agreement.staff_id == bindparam("staff"), Person.practice_id == bindparam("practice"))
)
_OF_THEM = _AGREED.where(Person.id == bindparam("owner"))
_NAMES = {
    Clip: "clip",
    PracticeSession: "session",
    ProgrammeItem: "exercise in the programme",
    Proposal: "proposal",
    Upload: "upload",
}


def clients_of(db: Session, viewer: Person) -> list[Person]:
    """Clients whom the viewer may see, by name; for a client, only themselves."""
    if viewer.role == "client":
        return [viewer]
    query = _AGREED.order_by(Person.name).options(lazyload(Person.practice))  # the viewer's, read already
    return list(db.scalars(query, {"staff": viewer.id, "practice": viewer.practice_id}))


def client(db: Session, viewer: Person, client_id: str) -> Person:
    """A client whom the viewer may see; raises NotFound."""
    person = _seen_by(db, viewer, client_id)
    if person is None or person.role != "client":
        raise NotFound("client")
    return person


def thing(db: Session, viewer: Person, kind: type[T], thing_id: str) -> T:
    """Something of a client whom the viewer may see, by its table and identifier; raises NotFound."""
    row = db.get(kind, thing_id)
    if row is None or _seen_by(db, viewer, client_of(row)) is None:
        raise NotFound(_NAMES.get(kind, "page"))
    return row


def client_of(row: Base) -> str:
    """Whose a row is."""
    return str(row.client_id)  # type: ignore[attr-defined]


def require_staff(person: Person) -> None:
    """Raise NotAllowed where the person is neither coach nor physio."""
    if not person.is_staff:
        raise NotAllowed("Only a coach or physio may do this.")


def require_owner(person: Person) -> None:
    """Raise NotAllowed where the person does not manage the practice."""
    if not person.owner:
        raise NotAllowed("Only the owner of the practice may do this.")


def require_client(person: Person) -> None:
    """Raise NotAllowed where the person is not a client."""
    if person.role != "client":
        raise NotAllowed("Only the client may do this.")


def require_watching(db: Session, viewer: Person, clip: Clip) -> None:
    """Raise NotAllowed where the viewer may see the numbers of a clip but not its video."""
    if viewer.id != clip.client_id:
        consent.require(db, clip.client_id, "watch")


def _seen_by(db: Session, viewer: Person, owner_id: str) -> Person | None:
    """Somebody whose data the viewer may see: themselves, or one who agreed to that."""
    if viewer.id == owner_id:
        return db.get(Person, owner_id)
    if not viewer.is_staff:
        return None
    named = {"staff": viewer.id, "practice": viewer.practice_id, "owner": owner_id}
    return db.scalar(_OF_THEM, named)
