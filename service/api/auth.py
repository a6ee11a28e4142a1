"""Routes of the first set-up, of signing in and out, and of joining by an invitation."""

import hmac

from fastapi import APIRouter, Request, Response

from service import accounts, invitations
from service.api.deps import APART, COUNTED, Db, ServicesDep, Viewer, cookie_name, token_of
from service.errors import NotAllowed
from service.records.accounts import FirstRunIn, JoinIn, MeOut, SignInIn
from service.services import Services
from service.store.models import Person

router = APIRouter(tags=["account"])


@router.get("/first-run")
def first_run_needed(db: Db) -> bool:
    """Whether there is no account yet."""
    return accounts.needs_first_run(db)


@router.post("/first-run", status_code=201, dependencies=[APART, COUNTED])
def first_run(data: FirstRunIn, services: ServicesDep, response: Response) -> MeOut:
    """Make the practice and its first account, and sign in."""
    if not services.settings.on_loopback and not hmac.compare_digest(
        data.code.encode("utf-8", "replace"), services.setup_code.encode()
    ):
        raise NotAllowed("Type the set-up code that the server printed when it started.")
    secret = services.passwords.hash(data.password)
    with services.store.write() as db:
        person = accounts.first_run(db, data.practice, data.role, data.name, data.email, secret)
        token = accounts.open_session(db, person)
    _set_cookie(services, response, token)
    return described(services, person.id)


@router.post("/sign-in", dependencies=[APART, COUNTED])
def sign_in(data: SignInIn, services: ServicesDep, response: Response) -> MeOut:
    """Sign in; the session is a cookie that scripts in the page cannot read."""
    token = accounts.sign_in(services.store, services.passwords, data.email, data.password)
    _set_cookie(services, response, token)
    with services.store.read() as db:
        person, _ = accounts.person_of_session(db, services.settings, token)
    return described(services, person.id)


@router.post("/sign-out", status_code=204)
def sign_out(request: Request, services: ServicesDep, db: Db, _person: Viewer, response: Response) -> None:
    """End this session."""
    token, _ = token_of(request, services)
    accounts.sign_out(db, token)
    response.delete_cookie(cookie_name(services), path="/", secure=services.settings.secure_cookies)
    response.headers["Clear-Site-Data"] = '"cache", "storage"'


@router.post("/join", status_code=201, dependencies=[APART, COUNTED])
def join(data: JoinIn, services: ServicesDep, response: Response) -> MeOut:
    """Use an invitation: make an account, and sign in."""
    with services.store.read() as db:
        invitations.usable(db, data.token)  # before the costly part
    secret = services.passwords.hash(data.password)
    with services.store.write() as db:
        person = invitations.join(db, data.token, data.name, data.email, secret, agree=data.agree)
        token = accounts.open_session(db, person)
    _set_cookie(services, response, token)
    return described(services, person.id)


def described(services: Services, person_id: str) -> MeOut:
    """The person as they see themselves."""
    with services.store.read() as db:
        person = db.get_one(Person, person_id)
        return MeOut.model_validate(
            {name: getattr(person, name) for name in ("id", "role", "name", "email", "owner", "practice_id")}
            | {"practice_name": person.practice.name}
        )


def _set_cookie(services: Services, response: Response, token: str) -> None:
    response.set_cookie(
        cookie_name(services),
        token,
        max_age=round(services.settings.signed_in_days * 86400),
        path="/",
        httponly=True,
        samesite="lax",
        secure=services.settings.secure_cookies,
    )
