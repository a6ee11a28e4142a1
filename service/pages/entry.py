"""Pages of arriving: signing in, the first set-up, joining; and the style sheet."""

from functools import cache

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from service import accounts
from service.api.deps import Db, ServicesDep, Viewer
from service.pages import client, staff
from service.pages.view import Page, look, page

router = APIRouter(route_class=Page, default_response_class=HTMLResponse)
_look = cache(look)


@router.get("/")
def home(request: Request, db: Db, person: Viewer) -> Response:
    """Where a person begins: a client with today, a coach or physio with the new clips."""
    return staff.queue(request, db, person) if person.is_staff else client.today(request, db, person)


@router.get("/sign-in")
def sign_in(request: Request, services: ServicesDep) -> Response:
    """Sign in."""
    with services.store.read() as db:
        if accounts.needs_first_run(db):
            return RedirectResponse("/first-run", 303)
    return page(request, "sign_in.html")


@router.get("/first-run")
def first_run(request: Request, services: ServicesDep) -> Response:
    """Make the first account."""
    with services.store.read() as db:
        if not accounts.needs_first_run(db):
            return RedirectResponse("/sign-in", 303)
    return page(request, "first_run.html", ask_code=not services.settings.on_loopback)


@router.get("/join")
def join(request: Request) -> Response:
    """Use an invitation; its secret is after the # and stays in the browser until it is sent."""
    return page(request, "join.html")


@router.get("/account")
def account(request: Request, db: Db, person: Viewer) -> Response:
    """One's own account: password, tokens for scripts, one's data."""
    return page(request, "account.html", person, tokens=accounts.api_tokens(db, person))


@router.get("/look.css")
def style_sheet() -> Response:
    """The style sheet of all pages."""
    return Response(_look(), media_type="text/css", headers={"Cache-Control": "public, max-age=300"})
