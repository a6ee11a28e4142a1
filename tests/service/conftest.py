"""A whole service in a temporary folder, with cheap passwords and a stand-in for measuring."""

import os
import shutil
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import objects
import pytest
from browsing import FLAGS, Visit, serving, visitors
from desk import PASSWORD, Desk, Someone, make_clip, settings_for
from fastapi.testclient import TestClient
from playwright.sync_api import Browser, sync_playwright
from sqlalchemy import create_engine, text

from service.app import create_app
from service.store.columns import new_id
from service.store.session import Store


@pytest.fixture(scope="session")
def clip_bytes(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """A real H.264 clip of 2.5 s in which a light square moves."""
    return make_clip(tmp_path_factory.mktemp("clip") / "clip.mp4").read_bytes()


@pytest.fixture
def open_desk(tmp_path: Path) -> Iterator[Callable[..., Desk]]:
    """Starts services; each is closed at the end of the test."""
    yield from opening(tmp_path / "data")


@pytest.fixture(scope="module")
def module_desk(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Desk]:
    """A measuring service for all tests of a module."""
    for start in opening(tmp_path_factory.mktemp("desk") / "data"):
        yield start()


def opening(folder: Path) -> Iterator[Callable[..., Desk]]:
    stack: list[TestClient] = []

    def start(**changes: Any) -> Desk:
        app = create_app(settings_for(folder, **changes))
        http = TestClient(app, base_url="http://127.0.0.1")
        http.__enter__()
        stack.append(http)
        owner = Someone(http, "", "Olive")
        data = {"practice": "Room Six", "name": "Olive", "email": "olive@example.org", "password": PASSWORD}
        if owner.ok("get", "/first-run"):
            owner.id = owner.ok("post", "/first-run", json=data)["id"]
        else:
            owner.id = owner.ok("post", "/sign-in", json={k: data[k] for k in ("email", "password")})["id"]
        return Desk(app, app.state.services, owner)

    yield start
    for http in reversed(stack):
        http.__exit__(None, None, None)


@pytest.fixture
def desk(open_desk: Callable[..., Desk]) -> Desk:
    """A service that does not measure."""
    return open_desk(workers=0)


@pytest.fixture
def working_desk(open_desk: Callable[..., Desk]) -> Desk:
    """A service that measures with the quick stand-in."""
    return open_desk()


@pytest.fixture(scope="session")
def postgres(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """A private Postgres on a socket in a temporary folder."""
    programs = [shutil.which("initdb"), *map(str, sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb")))]
    found = next(filter(None, programs), None)
    if found is None:
        pytest.fail("Postgres is not installed: apt-get install postgresql")
    home = Path(found).parent
    folder = Path("/tmp") / f"matline-postgres-{os.getpid()}"
    folder.mkdir(mode=0o755)
    who: dict[str, Any] = {}
    if os.getuid() == 0:  # it does not run as root
        shutil.chown(folder, "postgres", "postgres")
        who = {"user": "postgres", "group": "postgres"}
    quiet: dict[str, Any] = {"stdout": subprocess.DEVNULL, "check": True, "cwd": folder} | who
    cluster = str(folder / "cluster")
    subprocess.run([f"{home}/initdb", "-D", cluster, "-U", "matline", "-A", "trust", "-N"], **quiet)
    options = f"-k {folder} -c listen_addresses='' -c fsync=off"
    subprocess.run(
        [f"{home}/pg_ctl", "-D", cluster, "-w", "-o", options, "-l", f"{cluster}/log", "start"], **quiet
    )
    yield f"postgresql+psycopg://matline@/postgres?host={folder}"
    subprocess.run([f"{home}/pg_ctl", "-D", cluster, "-m", "immediate", "stop"], **quiet)
    shutil.rmtree(folder)


@pytest.fixture
def postgres_alone(postgres: str) -> Iterator[str]:
    """An empty database of a test's own."""
    name = f"test_{new_id()}"
    engine = create_engine(postgres, isolation_level="AUTOCOMMIT")
    with engine.connect() as connection:
        connection.execute(text(f"CREATE DATABASE {name} TEMPLATE template0"))
        yield postgres.replace("/postgres?", f"/{name}?")
        connection.execute(text(f"DROP DATABASE {name} WITH (FORCE)"))
    engine.dispose()


@pytest.fixture(scope="session")
def object_store(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, str]]:
    """A private S3-compatible server on loopback: the settings that name it."""
    with objects.serving(tmp_path_factory.mktemp("objects")) as settings:
        yield settings


@pytest.fixture
def bucket(object_store: dict[str, str]) -> dict[str, str]:
    """Settings for a place of a test's own in it."""
    return object_store | {"files_url": f"{object_store['files_url']}/{new_id()}"}


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """Chromium; of one module, as its loop must not run when other tests start theirs."""
    program = shutil.which("chromium")
    if program is None:
        pytest.fail("Chromium is not installed: apt-get install chromium")
    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=program, args=FLAGS)
        yield chromium
        chromium.close()


@pytest.fixture(scope="module")
def site(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Address of a service started by its command; a module may name its own MEASURE."""
    measure = getattr(request.module, "MEASURE", "pictured:rich")
    with serving(tmp_path_factory.mktemp("site") / "data", measure) as url:
        yield url


@pytest.fixture
def visit(browser: Browser, site: str) -> Iterator[Visit]:
    """Makes people with a browser each; the test fails where one of them met a page error."""
    yield from visitors(browser, site)


@pytest.fixture(scope="session")
def long_clip(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A clip of 8 s, as long as what `pictured` tells about it."""
    return make_clip(tmp_path_factory.mktemp("long") / "clip.mp4", 8.0)


@pytest.fixture(params=["sqlite", "postgres"])
def store(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Store]:
    """An empty store on each of the two databases."""
    more = {"database_url": request.getfixturevalue("postgres_alone")} if request.param == "postgres" else {}
    made = Store(settings_for(tmp_path, **more))
    made.migrate()
    yield made
    made.close()
