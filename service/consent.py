"""What a person agreed to: purposes (worded in `data/consent.toml`), and who may see their data."""

import tomllib
from functools import cache
from importlib.resources import files
from typing import Literal

from pydantic import BaseModel, ConfigDict
from sqlalchemy import bindparam, delete, select
from sqlalchemy.orm import Session

from service import audit
from service.errors import NotAllowed, NotFound, Refused
from service.store.columns import now
from service.store.models import Agreement, Consent, Person

Purpose = Literal["measure", "watch", "keep"]
_STANDING = select(Consent.purpose, Consent.version).where(
    Consent.person_id == bindparam("person"), Consent.withdrawn_at.is_(None)
)


class PurposeText(BaseModel):
    """One purpose as it is put to the person; `version` rises with every change of words."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    purpose: Purpose
    version: int
    required: bool
    title: str
    text: str
    without: str


@cache
def purposes() -> tuple[PurposeText, ...]:
    """All purposes, in the order in which they are asked."""
    data = tomllib.loads(files("service").joinpath("data/consent.toml").read_text("utf-8"))
    return tuple(PurposeText.model_validate(entry) for entry in data["purpose"])


def given(db: Session, person_id: str) -> set[Purpose]:
    """Purposes that the person agrees to now, in their present wording."""
    current = {p.purpose: p.version for p in purposes()}
    return {p for p, version in _standing(db, person_id) if version == current[p]}


def not_withdrawn(db: Session, person_id: str) -> set[Purpose]:
    """Purposes that the person agreed to in any wording: new words are no reason to delete anything."""
    return {purpose for purpose, _ in _standing(db, person_id)}


def _standing(db: Session, person_id: str) -> list[tuple[Purpose, int]]:
    rows = list(db.execute(_STANDING, {"person": person_id}))
    return [(p.purpose, row.version) for row in rows for p in purposes() if p.purpose == row.purpose]


def history(db: Session, person: Person) -> list[Consent]:
    """Every consent ever given, newest first."""
    return list(
        db.scalars(select(Consent).where(Consent.person_id == person.id).order_by(Consent.given_at.desc()))
    )


def give(db: Session, person: Person, purpose: Purpose) -> None:
    """Note consent to a purpose; once, however often it is given."""
    if person.role != "client":
        raise Refused("Only a client gives consent, for their own clips.")
    if purpose in given(db, person.id):
        return
    version = next(p.version for p in purposes() if p.purpose == purpose)
    db.add(Consent(person_id=person.id, purpose=purpose, version=version))
    audit.record(db, person, person, "changed", f"consent_{purpose}")


def withdraw(db: Session, person: Person, purpose: Purpose) -> None:
    """End consent to a purpose from now on; as easy as giving it."""
    for row in history(db, person):
        if row.purpose == purpose and row.withdrawn_at is None:
            row.withdrawn_at = now()
    audit.record(db, person, person, "changed", f"consent_{purpose}")


def require(db: Session, client_id: str, purpose: Purpose) -> None:
    """Raise NotAllowed where the client has not agreed to a purpose."""
    if purpose not in given(db, client_id):
        title = next(p.title for p in purposes() if p.purpose == purpose)
        raise NotAllowed(f"The client has not agreed to this: {title}")


def agree(db: Session, client: Person, staff_id: str) -> None:
    """Let a coach or physio of the same practice see the client's data."""
    staff = db.get(Person, staff_id)
    if client.role != "client" or staff is None or not staff.is_staff:
        raise NotFound("coach or physio")
    if staff.practice_id != client.practice_id:
        raise NotFound("coach or physio")
    if staff_id not in agreed(db, client.id):
        db.add(Agreement(client_id=client.id, staff_id=staff_id))
        audit.record(db, client, client, "changed", "agreement", staff_id)
        db.flush()


def disagree(db: Session, client: Person, staff_id: str) -> None:
    """Take a coach's or physio's sight away, from now on."""
    db.execute(delete(Agreement).where(Agreement.client_id == client.id, Agreement.staff_id == staff_id))
    audit.record(db, client, client, "changed", "agreement", staff_id)


def agreed(db: Session, client_id: str) -> set[str]:
    """Identifiers of the coaches and physios who may see the client's data."""
    return set(db.scalars(select(Agreement.staff_id).where(Agreement.client_id == client_id)))
