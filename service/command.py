"""`matline serve`: the service on this machine, or one of many servers and workers."""

import logging
import os
import signal
import threading
from collections.abc import Callable
from pathlib import Path
from types import FrameType
from typing import Annotated, Any

import typer
import uvicorn

from analysis.cli.demo import FOLDERS
from service import accounts, demo, ready
from service.app import create_app
from service.secret import Passwords, new_token
from service.services import Services
from service.settings import Settings
from service.store.session import Store

app = typer.Typer(add_completion=False, pretty_exceptions_enable=False)


def _option(text: str) -> Any:
    return typer.Option(help=text, show_default=False)


@app.command()
def start(
    host: Annotated[str | None, _option("Address to listen on; by default only this machine.")] = None,
    port: Annotated[int | None, _option("Port to listen on.")] = None,
    data: Annotated[Path | None, _option("Folder for database and clips.")] = None,
    workers: Annotated[int | None, _option("Clips measured at once by this process; 0: none.")] = None,
    measure_only: Annotated[bool, typer.Option("--measure-only", help="No pages: only measure.")] = False,
    new_password: Annotated[
        str | None, _option("Give the account of this e-mail address a new password, and end.")
    ] = None,
    demonstration: Annotated[bool, typer.Option("--demo", help="An invented practice.")] = False,
) -> None:
    """Open the pages for coach, client and physio in a browser; measure the clips that they send."""
    os.umask(0o077)  # nobody else on this machine reads it, wherever the folder lies
    given: dict[str, Any] = {"host": host, "port": port, "data_dir": data, "workers": workers}
    settings = ready.settings({name: value for name, value in given.items() if value is not None})
    logging.basicConfig(level=logging.WARNING, format="%(asctime)s %(levelname)s %(message)s")
    if demonstration:
        settings = settings.model_copy(update={"data_dir": data or settings.data_dir / "demonstration"})
    ready.check_places(settings)
    if new_password is not None:
        _replace_password(settings, new_password)
    elif measure_only:
        _measure(settings)
    elif demonstration:
        ready.check_address(settings)
        _begin_demo(settings)
        _serve(settings, lambda services: demo.fill(services, _samples(), typer.echo))
    else:
        ready.check_address(settings)
        _serve(settings)


def _replace_password(settings: Settings, email: str) -> None:
    """For somebody who forgot theirs; who runs this can read the database anyway, so no page has to."""
    password = new_token()[:16]
    store = Store(settings)
    store.migrate()
    secret = Passwords(settings.argon2_memory_kib).hash(password)
    with store.write() as db:
        person = accounts.replace_password(db, email, secret)
        typer.echo(f"{person.name} signs in with this password now, and changes it on the page Account:")
        typer.echo(password)
    store.close()


def _serve(settings: Settings, meanwhile: Callable[[Services], None] | None = None) -> None:
    """Serve until told to stop; `meanwhile` runs beside it, once everything is open."""

    def beside(services: Services) -> None:
        with services.store.read() as db:
            if accounts.needs_first_run(db) and not settings.on_loopback:
                typer.echo(f"Set-up code for the first account: {services.setup_code}")
        if meanwhile:
            meanwhile(services)

    typer.echo(f"Open {settings.address} in a browser.")
    typer.echo(f"Data is in {settings.data_dir}. Stop with Ctrl-C.")
    uvicorn.run(
        create_app(settings, beside),
        host=settings.host,
        port=settings.port,
        forwarded_allow_ips=settings.proxies,
        access_log=False,  # addresses name clips
        server_header=False,
        timeout_graceful_shutdown=5,
        log_level="warning",
    )
    os._exit(0)  # the engine's threads may wait for a job that the next start goes on with


def _begin_demo(settings: Settings) -> None:
    """Make the invented practice with its first client, and say how to sign in."""
    typer.echo("Making an invented practice. Each sample clip is measured once; the first takes a moment.")
    services = Services.open(settings.model_copy(update={"workers": 0}))
    demo.fill(services, _samples(), typer.echo, most=1)
    services.close()
    story = demo.scenario()
    typer.echo("Everybody in this practice is invented. Sign in as one of them:")
    people = [(s.name, s.role) for s in story.staff] + [(c.name, "client") for c in story.client]
    for name, role in people:
        typer.echo(f"  {demo.email(name)}  {role}")
    typer.echo(f"The password of all of them is: {story.password}")
    typer.echo("The other clients are filled in while you look.")


def _samples() -> Path:
    """Folder of the sample clips."""
    return next((f for f in FOLDERS if f.is_dir()), FOLDERS[-1])


def _measure(settings: Settings) -> None:
    """Only measure, for servers with the same database and files, until told to stop."""
    ended = threading.Event()

    def end(_number: int, _frame: FrameType | None) -> None:
        ended.set()

    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, end)
    services = Services.open(settings)
    typer.echo("Measuring clips. Stop with Ctrl-C.")
    ended.wait()
    services.close()
    os._exit(0)


serve = typer.main.get_command(app)
