"""Many people at the same moment, at the real server: nobody meets an error, and nobody waits for long."""

from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor

import httpx2
import pytest
from browsing import serving
from desk import PASSWORD, Desk, Someone, add_bytes, announce

AT_ONCE = 100  # more than a server has threads or connections
LONGEST_S = 25.0  # SQLite gives up after 30


@pytest.fixture(scope="module")
def people(
    tmp_path_factory: pytest.TempPathFactory, clip_bytes: bytes
) -> Iterator[tuple[Someone, Someone, str]]:
    """A coach, their client, and a clip of the client."""
    folder = tmp_path_factory.mktemp("many")
    with serving(folder / "data", "standin:quick", "--workers", "0") as url:
        coach, client = (
            Someone(httpx2.Client(base_url=url, timeout=120), "", name, {"Origin": url})  # type: ignore[arg-type]
            for name in ("Olive", "Cleo")
        )
        first = {"practice": "P", "name": "Olive", "email": "olive@example.org", "password": PASSWORD}
        coach.ok("post", "/first-run", json=first)
        link = coach.ok("post", "/practice/invitations", json={})["link"]
        told = {"token": link.partition("#")[2], "name": "Cleo", "email": "cleo@example.org", "agree": True}
        client.id = client.ok("post", "/join", json=told | {"password": PASSWORD})["id"]
        client.ok("put", "/me/consents/measure")
        upload = announce(client, len(clip_bytes), exercise="toe_tap", session=Desk.session_of(client)).json()
        add_bytes(client, upload["id"], 0, clip_bytes)
        yield coach, client, upload["id"]


def at_once(ask: Callable[[int], int]) -> None:
    """Everybody asks at the same moment."""
    with ThreadPoolExecutor(AT_ONCE) as pool:
        answers = [pool.submit(ask, i) for i in range(AT_ONCE)]
        found = [answer.result(2 * LONGEST_S) for answer in answers]
    assert {status // 100 for status in found} == {2}, found


def status(who: Someone, method: str, path: str, **kw: object) -> int:
    """Ask with a connection of its own, as another browser of the person would."""
    http = who.http
    with httpx2.Client(base_url=http.base_url, cookies=http.cookies, timeout=LONGEST_S) as own:
        return int(own.request(method, path, headers=who.origin, **kw).status_code)  # type: ignore[arg-type]


def test_all_write(people: tuple[Someone, Someone, str]) -> None:
    coach, client, clip = people
    before = len(client.ok("get", f"/clips/{clip}/review")["comments"])
    at_once(
        lambda i: status((coach, client)[i % 2], "POST", f"/api/clips/{clip}/comments", json={"text": f"{i}"})
    )
    assert len(client.ok("get", f"/clips/{clip}/review")["comments"]) == before + AT_ONCE


def test_some_write_and_others_read(people: tuple[Someone, Someone, str]) -> None:
    coach, client, clip = people
    paths = ("/", f"/clips/{clip}", "/clients", f"/api/clients/{client.id}/programme", "/api/clips")

    def ask(i: int) -> int:
        if i % 3 == 0:
            return status(client, "POST", f"/api/clips/{clip}/comments", json={"text": f"{i}"})
        return status(coach, "GET", paths[i % len(paths)])

    at_once(ask)


def test_all_sign_in_while_others_write(people: tuple[Someone, Someone, str]) -> None:
    coach, client, clip = people
    known = {"email": "olive@example.org", "password": PASSWORD}

    def ask(i: int) -> int:
        if i % 2:
            return status(client, "POST", f"/api/clips/{clip}/comments", json={"text": f"{i}"})
        return status(coach, "POST", "/api/sign-in", json=known)

    at_once(ask)
