"""Wires the application: services, routes, pages, errors."""

import logging
import threading
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from importlib.resources import files as resource

from anyio import CapacityLimiter
from fastapi import FastAPI, Request, Response
from fastapi.exception_handlers import http_exception_handler
from fastapi.responses import JSONResponse
from fastapi.staticfiles import StaticFiles
from pydantic import BaseModel
from sqlalchemy.exc import OperationalError
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException

from analysis.errors import MatlineError
from service import pages
from service.api import auth, clients, clips, me, practice, uploads
from service.api.deps import ERRORS
from service.errors import NotFound, ServiceError, Unavailable
from service.guard import Guard
from service.room import Room
from service.services import Services
from service.settings import MIB, Settings

_log = logging.getLogger(__name__)
_FOR_SCRIPTS = ("/api/", "/static/")
_CHECKS_AT_ONCE = 2  # of clips that have arrived; they are not to take the threads that answer pages


class Problem(BaseModel):
    """An error, in words for the person."""

    detail: str


def create_app(
    settings: Settings | None = None, meanwhile: Callable[[Services], None] | None = None
) -> FastAPI:
    """The application; everything it needs is opened when it starts and closed when it ends.

    meanwhile: work beside the answering, in a thread of its own, once everything is open.
    """
    settings = settings or Settings()
    app = FastAPI(
        title="Matline",
        description="Clips of floor exercise in, measured repetitions and feedback out.",
        docs_url=None,
        redoc_url=None,
        openapi_url="/api/openapi.json",
        lifespan=_lifespan,
        max_body_size=MIB,
    )
    app.state.settings, app.state.meanwhile = settings, meanwhile
    app.include_router(pages.router, include_in_schema=False)  # first, as looked for most
    for module in (auth, me, practice, clients, clips):
        app.include_router(module.router, prefix="/api", responses=ERRORS)
    app.include_router(
        uploads.router, prefix="/api", responses=ERRORS, max_body_size=settings.upload_part_max_bytes
    )
    app.mount("/static", StaticFiles(directory=str(resource("service").joinpath("static"))), "static")
    app.add_exception_handler(MatlineError, _tell)
    app.add_exception_handler(HTTPException, _absent)
    if not settings.embedded:
        app.add_exception_handler(OperationalError, _away)
    app.add_middleware(Guard, settings=settings, tell=_tell)
    return app


@asynccontextmanager
async def _lifespan(app: FastAPI) -> AsyncIterator[None]:
    app.state.services = await run_in_threadpool(Services.open, app.state.settings)
    app.state.checks = CapacityLimiter(_CHECKS_AT_ONCE)
    app.state.room = Room(one_writer=app.state.settings.embedded)
    if app.state.meanwhile:
        threading.Thread(target=app.state.meanwhile, args=(app.state.services,), daemon=True).start()
    yield
    await run_in_threadpool(app.state.services.close)


async def _absent(request: Request, error: Exception) -> Response:
    """Where there is no route: a page for people, JSON for scripts."""
    assert isinstance(error, HTTPException)
    if request.url.path.startswith(_FOR_SCRIPTS):
        return await http_exception_handler(request, error)
    return _tell(request, NotFound())


async def _away(request: Request, error: Exception) -> Response:
    """The database of all servers does not answer."""
    _log.error("the database does not answer: %s", type(error).__name__)
    return _tell(request, Unavailable("The practice's data cannot be reached now. Try again in a minute."))


def _tell(request: Request, error: Exception) -> Response:
    """An error in its own words: a page for people, JSON for scripts."""
    assert isinstance(error, MatlineError)
    if not request.scope["path"].startswith(_FOR_SCRIPTS):  # of the address, the host may be nonsense
        return pages.problem(request, error)
    status = error.status if isinstance(error, ServiceError) else 422
    return JSONResponse({"detail": str(error)}, status, pages.headers_of(error))
