"""Routes of pages. A page asks the API for its data, so what a person may see is decided in one place."""

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from fastapi.templating import Jinja2Templates
from jinja2 import Environment, PackageLoader, select_autoescape

from service import accounts
from service.api.deps import ServicesDep, viewer
from service.errors import NotSignedIn

router = APIRouter()
_environment = Environment(loader=PackageLoader("service", "pages"), autoescape=select_autoescape())
_templates = Jinja2Templates(env=_environment)


@router.get("/", response_class=HTMLResponse)
def home(request: Request, services: ServicesDep) -> Response:
    """Where a person begins: their own page, or signing in, or the first set-up."""
    try:
        person = viewer(request, services)
    except NotSignedIn:
        return RedirectResponse("/sign-in", 303)
    return _templates.TemplateResponse(request, "home.html", {"person": person})


@router.get("/sign-in", response_class=HTMLResponse)
def sign_in(request: Request, services: ServicesDep) -> Response:
    """Sign in."""
    with services.store.read() as db:
        if accounts.needs_first_run(db):
            return RedirectResponse("/first-run", 303)
    return _templates.TemplateResponse(request, "sign_in.html")


@router.get("/first-run", response_class=HTMLResponse)
def first_run(request: Request, services: ServicesDep) -> Response:
    """Make the first account."""
    with services.store.read() as db:
        if not accounts.needs_first_run(db):
            return RedirectResponse("/sign-in", 303)
    return _templates.TemplateResponse(
        request, "first_run.html", {"ask_code": not services.settings.on_loopback}
    )


@router.get("/join", response_class=HTMLResponse)
def join(request: Request) -> Response:
    """Use an invitation; its secret is after the # and stays in the browser until it is sent."""
    return _templates.TemplateResponse(request, "join.html")
