"""Named dependencies of routes: database sessions, who asks, and things that they may see.

`Viewer` is whoever is signed in, by cookie or by a token for scripts. `TheClient`, `TheClip`, ...
are things named in the path that the viewer may see; asking for them notes the look in the audit trail.
"""

from collections.abc import AsyncIterator
from contextlib import nullcontext
from typing import Annotated, Any, TypeVar

from fastapi import Depends, Path, Query, Request
from fastapi.concurrency import contextmanager_in_threadpool
from sqlalchemy.orm import Session

from service import access, accounts, audit
from service.errors import NotSignedIn
from service.files import Files
from service.queue import Queue
from service.room import Room
from service.services import Services
from service.store.models import Base, Clip, Person, PracticeSession, ProgrammeItem, Proposal, Upload

SAFE = ("GET", "HEAD", "OPTIONS")
T = TypeVar("T", bound=Base)
ID = "^[0-9a-f]{32}$"
PathId = Annotated[str, Path(pattern=ID)]


def cookie_name(services: Services) -> str:
    """Name of the session cookie; with https its prefix binds it to this host (RFC 6265bis)."""
    return "__Host-matline" if services.settings.secure_cookies else "matline"


def services_of(request: Request) -> Services:
    """What the process opened at its start."""
    services: Services = request.app.state.services
    return services


# What asks nobody is `async`: it then runs where it is, and not in a thread that it would have to wait for.
async def _services(request: Request) -> Services:
    return services_of(request)


ServicesDep = Annotated[Services, Depends(_services)]


async def _files(services: ServicesDep) -> Files:
    return services.files


async def _queue(services: ServicesDep) -> Queue:
    return services.queue


FilesDep = Annotated[Files, Depends(_files)]
QueueDep = Annotated[Queue, Depends(_queue)]


async def _apart(request: Request) -> AsyncIterator[None]:
    room: Room = request.app.state.room
    async with room.apart:
        yield


APART = Depends(_apart, scope="function")  # for changing routes without `Db`


def _counted(request: Request, services: ServicesDep) -> None:
    accounts.count_sign_in(services.store, request.client.host if request.client else "")


COUNTED = Depends(_counted)  # for routes that check a password or another secret; after `APART`


async def _reading(request: Request, services: ServicesDep) -> AsyncIterator[Session | None]:
    """The one session of a request that changes nothing; none for others."""
    if request.method not in SAFE:
        yield None
        return
    room: Room = request.app.state.room
    async with room.reading:
        with services.store.read() as db:  # neither opening nor closing it waits for the database
            yield db


Reading = Annotated[Session | None, Depends(_reading, scope="function")]


async def _db(request: Request, services: ServicesDep, reading: Reading) -> AsyncIterator[Session]:
    if reading is not None:
        yield reading
        return
    room: Room = request.app.state.room
    # Committed before the answer goes out, so that an answer never promises what then fails.
    async with room.changing, contextmanager_in_threadpool(services.store.write()) as db:
        yield db


Db = Annotated[Session, Depends(_db, scope="function")]


def token_of(request: Request, services: Services) -> tuple[str, bool]:
    """The token that came with a request, and whether it is one for scripts; raises NotSignedIn."""
    scheme, _, token = request.headers.get("authorization", "").partition(" ")
    if scheme.lower() == "bearer" and token:
        return token, True
    cookie = request.cookies.get(cookie_name(services))
    if not cookie:
        raise NotSignedIn
    return cookie, False


def viewer(request: Request, services: ServicesDep, reading: Reading) -> Person:
    """Who asks; raises NotSignedIn. Before a change it uses a session of its own, so nothing is locked."""
    token, for_scripts = token_of(request, services)
    with services.store.read() if reading is None else nullcontext(reading) as db:
        if for_scripts:
            person, due = accounts.person_of_api_token(db, token)
        else:
            person, due = accounts.person_of_session(db, services.settings, token)
    if due and request.method in SAFE:  # a changing request holds the database's one write lock already
        _touch(services, token)
    return person


def _touch(services: Services, token: str) -> None:
    """Note the use of a session, unless another is being noted: it is then due again at the next request."""
    if services.touching.acquire(blocking=False):
        try:
            with services.store.write() as db:
                accounts.touch(db, token)
        finally:
            services.touching.release()


Viewer = Annotated[Person, Depends(viewer)]


async def _staff(person: Viewer) -> Person:
    access.require_staff(person)
    return person


async def _owner(person: Viewer) -> Person:
    access.require_owner(person)
    return person


async def _self_client(person: Viewer) -> Person:
    access.require_client(person)
    return person


Staff = Annotated[Person, Depends(_staff)]
Owner = Annotated[Person, Depends(_owner)]
SelfClient = Annotated[Person, Depends(_self_client)]


def _note_look(
    request: Request, services: Services, db: Session, person: Person, client: Person, object_id: str
) -> None:
    """A look of another person is noted, once a visit; changes are noted by what makes them."""
    if request.method not in SAFE or person.id == client.id:
        return
    what = request.scope["route"].name
    if audit.seen_lately(db, person, client, what, object_id):
        return
    with services.store.write() as writing:
        audit.record(writing, person, client, "saw", what, object_id)


def _client(client_id: PathId, request: Request, services: ServicesDep, db: Db, person: Viewer) -> Person:
    found = access.client(db, person, client_id)
    _note_look(request, services, db, person, found, "")
    return found


TheClient = Annotated[Person, Depends(_client)]


def _visible(kind: type[T], request: Request, services: Services, db: Session, person: Person, key: str) -> T:
    row = access.thing(db, person, kind, key)
    client = db.get_one(Person, access.client_of(row))
    _note_look(request, services, db, person, client, key)
    return row


def _clip(clip_id: PathId, request: Request, services: ServicesDep, db: Db, person: Viewer) -> Clip:
    return _visible(Clip, request, services, db, person, clip_id)


def _then(
    request: Request,
    services: ServicesDep,
    db: Db,
    person: Viewer,
    then: Annotated[str | None, Query(pattern=ID)] = None,
) -> Clip | None:
    return _visible(Clip, request, services, db, person, then) if then else None


def _session(
    session_id: PathId, request: Request, services: ServicesDep, db: Db, person: Viewer
) -> PracticeSession:
    return _visible(PracticeSession, request, services, db, person, session_id)


def _item(item_id: PathId, request: Request, services: ServicesDep, db: Db, person: Viewer) -> ProgrammeItem:
    return _visible(ProgrammeItem, request, services, db, person, item_id)


def _proposal(
    proposal_id: PathId, request: Request, services: ServicesDep, db: Db, person: Viewer
) -> Proposal:
    return _visible(Proposal, request, services, db, person, proposal_id)


def _upload(upload_id: PathId, request: Request, services: ServicesDep, person: Viewer) -> Upload:
    with services.store.read() as db:
        return _visible(Upload, request, services, db, person, upload_id)


TheClip = Annotated[Clip, Depends(_clip)]
ThenClip = Annotated[Clip | None, Depends(_then)]  # another clip, named in the query
TheSession = Annotated[PracticeSession, Depends(_session)]
TheItem = Annotated[ProgrammeItem, Depends(_item)]
TheProposal = Annotated[Proposal, Depends(_proposal)]
TheUpload = Annotated[Upload, Depends(_upload)]

# Answers that any route may give, for its description.
_PROBLEM = {"application/json": {"schema": {"$ref": "#/components/schemas/Problem"}}}
ERRORS: dict[int | str, dict[str, Any]] = {
    status: {"description": text, "content": _PROBLEM}
    for status, text in {
        400: "the request cannot be understood",
        401: "nobody is signed in",
        403: "not allowed",
        404: "not there, or not yours to see",
        409: "does not fit what is there",
        412: "another version of the upload protocol",
        413: "too large",
        415: "another type of content",
        416: "bytes that are not there",
        422: "a value that cannot be used",
        423: "a warning sign is open: see someone first",
        429: "too many tries",
    }.items()
}
