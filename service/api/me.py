"""Routes of one's own account: password, tokens, consent, who may see my data, export and deletion."""

from collections.abc import Iterator
from tempfile import TemporaryFile
from typing import IO, Any

from fastapi import APIRouter, Response
from fastapi.responses import StreamingResponse
from sqlalchemy import select

from service import accounts, audit, consent, privacy, review
from service.api.auth import described
from service.api.deps import (
    APART,
    COUNTED,
    Db,
    FilesDep,
    PathId,
    QueueDep,
    SelfClient,
    ServicesDep,
    Viewer,
    cookie_name,
)
from service.errors import NotAllowed
from service.records.accounts import (
    AuditOut,
    ConfirmIn,
    ConsentOut,
    MeOut,
    NamedIn,
    NewTokenOut,
    PasswordIn,
    StaffOut,
    TokenOut,
)
from service.records.clips import FeedbackOut
from service.services import Services
from service.store.models import STAFF, AuditEntry, Person

router = APIRouter(prefix="/me", tags=["account"])
_ZIP: dict[int | str, dict[str, Any]] = {200: {"content": {"application/zip": {}}}}


@router.get("")
def me(services: ServicesDep, person: Viewer) -> MeOut:
    """Who is signed in."""
    return described(services, person.id)


@router.post("/password", status_code=204, dependencies=[APART, COUNTED])
def change_password(data: PasswordIn, services: ServicesDep, person: Viewer) -> None:
    """Set a new password; ends every session, this one too."""
    _check_password(services, person, data.present)
    secret = services.passwords.hash(data.new)
    with services.store.write() as db:
        accounts.change_password(db, db.get_one(Person, person.id), secret)


@router.get("/tokens")
def my_tokens(db: Db, person: Viewer) -> list[TokenOut]:
    """My tokens for scripts."""
    return [TokenOut.model_validate(row) for row in accounts.api_tokens(db, person)]


@router.post("/tokens", status_code=201)
def add_token(data: NamedIn, db: Db, person: Viewer) -> NewTokenOut:
    """Make a token for scripts. It is told once; send it as `Authorization: Bearer ...`."""
    row, token = accounts.add_api_token(db, person, data.name)
    return NewTokenOut(id=row.id, name=row.name, created_at=row.created_at, used_at=None, token=token)


@router.delete("/tokens/{token_id}", status_code=204)
def withdraw_token(token_id: PathId, db: Db, person: Viewer) -> None:
    """Make a token useless."""
    accounts.withdraw_api_token(db, person, token_id)


@router.get("/consents")
def my_consents(db: Db, person: SelfClient) -> list[ConsentOut]:
    """What I am asked to agree to, and what I agreed to."""
    given = consent.given(db, person.id)
    return [ConsentOut(**p.model_dump(), given=p.purpose in given) for p in consent.purposes()]


@router.put("/consents/{purpose}", status_code=204)
def give_consent(purpose: consent.Purpose, db: Db, person: SelfClient) -> None:
    """Agree to a purpose."""
    consent.give(db, person, purpose)


@router.delete("/consents/{purpose}", status_code=204)
def withdraw_consent(purpose: consent.Purpose, db: Db, person: SelfClient) -> None:
    """Withdraw; what depended on it is deleted at the next sweep."""
    consent.withdraw(db, person, purpose)


@router.get("/staff")
def my_staff(db: Db, person: SelfClient) -> list[StaffOut]:
    """Coaches and physios of my practice, and who of them may see my data."""
    agreed = consent.agreed(db, person.id)
    query = select(Person).where(Person.practice_id == person.practice_id, Person.role.in_(STAFF))
    return [
        StaffOut.model_validate({"id": p.id, "role": p.role, "name": p.name, "agreed": p.id in agreed})
        for p in db.scalars(query.order_by(Person.name))
    ]


@router.put("/staff/{staff_id}", status_code=204)
def agree(staff_id: PathId, db: Db, person: SelfClient) -> None:
    """Let a coach or physio see my data."""
    consent.agree(db, person, staff_id)


@router.delete("/staff/{staff_id}", status_code=204)
def disagree(staff_id: PathId, db: Db, person: SelfClient) -> None:
    """No longer let a coach or physio see my data."""
    consent.disagree(db, person, staff_id)


@router.get("/feedback")
def my_unread_feedback(db: Db, person: SelfClient) -> list[FeedbackOut]:
    """What was sent to me and I have not read."""
    return [review.described_feedback(db, row) for row in review.unread(db, person)]


@router.get("/audit")
def my_audit(db: Db, person: Viewer) -> list[AuditOut]:
    """Who saw or changed what of mine."""
    return described_audit(db, audit.about(db, person))


@router.post("/export", response_class=StreamingResponse, responses=_ZIP, dependencies=[APART])
def export(services: ServicesDep, files: FilesDep, person: Viewer) -> Response:
    """Everything of mine, as a zip."""
    folder = services.settings.work_dir
    folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    # Without a name: it goes with the answer, or with the server.
    zipped = TemporaryFile(dir=folder)  # noqa: SIM115
    with services.store.read() as db:
        privacy.export(db, files, db.get_one(Person, person.id), zipped)
    with services.store.write() as db:
        audit.record(db, person, person, "saw", "export")
    headers = {
        "Content-Disposition": 'attachment; filename="my-data.zip"',
        "Content-Length": str(zipped.tell()),
    }
    return StreamingResponse(_pieces(zipped), media_type="application/zip", headers=headers)


@router.post("/delete", status_code=204, dependencies=[APART, COUNTED])
def delete_me(
    data: ConfirmIn,
    services: ServicesDep,
    files: FilesDep,
    queue: QueueDep,
    person: Viewer,
    response: Response,
) -> None:
    """Delete my account and everything of mine, for good."""
    _check_password(services, person, data.password)
    privacy.delete_person(services.store, files, queue, person.id)
    with services.store.write() as db:
        audit.record_gone(db, person.practice_id)
    response.delete_cookie(cookie_name(services), path="/", secure=services.settings.secure_cookies)
    response.headers["Clear-Site-Data"] = '"cache", "storage"'


def described_audit(db: Db, entries: list[AuditEntry]) -> list[AuditOut]:
    """Entries with the names of who acted, and on whose data."""
    ids = {key for e in entries for key in (e.actor_id, e.subject_id) if key}
    names = {p.id: p.name for p in db.scalars(select(Person).where(Person.id.in_(ids)))}
    told = [
        (e, {"actor": names.get(e.actor_id or ""), "subject": names.get(e.subject_id or "")}) for e in entries
    ]
    return [AuditOut.model_validate(entry).model_copy(update=named) for entry, named in told]


def _check_password(services: Services, person: Person, password: str) -> None:
    if not services.passwords.matches(person.password, password):
        raise NotAllowed("The present password is wrong.")


def _pieces(file: IO[bytes]) -> Iterator[bytes]:
    file.seek(0)
    with file:
        while piece := file.read(1024 * 1024):
            yield piece
