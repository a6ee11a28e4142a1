"""Accounts, sessions, invitations and the gate: what a person may do, and what an attacker may not."""

import html
import re
from collections.abc import Callable
from datetime import timedelta

import pytest
from desk import ORIGIN, PASSWORD, Desk, Someone
from fastapi.testclient import TestClient
from sqlalchemy import create_engine, select, text
from sqlalchemy.orm import sessionmaker

from service.store.columns import now
from service.store.models import ApiToken, Invitation, Person, SignIn

OLIVE = {"email": "olive@example.org", "password": PASSWORD}


def test_only_one_first_set_up(desk: Desk) -> None:
    again = {"practice": "P", "name": "N", "email": "n@example.org", "password": PASSWORD}
    assert desk.browser().post("/api/first-run", json=again, headers=ORIGIN).status_code == 409
    assert desk.browser().get("/").history[0].headers["location"] == "/sign-in"


def test_first_set_up_needs_the_code_where_others_reach_us(open_desk: Callable[..., Desk]) -> None:
    with pytest.raises(AssertionError, match="set-up code"):
        open_desk(workers=0, host="0.0.0.0", public_url="https://practice.example")


def test_nothing_secret_is_stored(desk: Desk) -> None:
    token = desk.owner.ok("post", "/me/tokens", json={"name": "nightly"})["token"]
    link = desk.owner.ok("post", "/practice/invitations", json={})["link"].partition("#")[2]
    cookie = desk.owner.http.cookies["matline"]
    with desk.services.store.read() as db:
        stored = [str(row) for t in ("person", "sign_in", "api_token", "invitation")
                  for row in db.execute(text(f"SELECT * FROM {t}"))]  # fmt: skip
    assert not any(secret in row for row in stored for secret in (token, link, cookie, PASSWORD))
    assert any("$argon2id$" in row for row in stored)


def test_a_wrong_password_and_a_wrong_address_sound_the_same(desk: Desk) -> None:
    http = desk.browser()
    wrong = http.post("/api/sign-in", json=OLIVE | {"password": "x" * 12}, headers=ORIGIN)
    nobody = http.post("/api/sign-in", json=OLIVE | {"email": "no@example.org"}, headers=ORIGIN)
    assert (wrong.status_code, wrong.json()) == (nobody.status_code, nobody.json()) == (401, wrong.json())


def test_repeated_failures_make_wait_even_with_the_right_password(open_desk: Callable[..., Desk]) -> None:
    desk = open_desk(workers=0, failures_before_wait=3)
    http = desk.browser()
    for _ in range(3):
        http.post("/api/sign-in", json=OLIVE | {"password": "wrong wrong"}, headers=ORIGIN)
    answer = http.post("/api/sign-in", json=OLIVE, headers=ORIGIN)
    assert answer.status_code == 429
    assert 800 < int(answer.headers["retry-after"]) <= 900


def test_cookie_cannot_be_read_by_scripts_or_sent_by_other_sites(desk: Desk) -> None:
    answer = desk.browser().post("/api/sign-in", json=OLIVE, headers=ORIGIN)
    cookie = answer.headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=lax" in cookie
    assert "path=/" in cookie


@pytest.mark.parametrize("idle", [13, 0.1])
def test_an_unused_session_ends(desk: Desk, idle: float) -> None:
    with desk.services.store.write() as db:
        db.scalars(select(SignIn)).one().seen_at = now() - timedelta(hours=idle)
    assert desk.owner.get("/me").status_code == (401 if idle > 12 else 200)
    with desk.services.store.read() as db:
        seen = db.scalars(select(SignIn)).one().seen_at
    assert (now() - seen < timedelta(minutes=1)) == (idle < 12), "use keeps a session open"


def test_signing_out_and_a_new_password_end_sessions(desk: Desk) -> None:
    other = Someone(desk.browser(), "", "Olive")
    other.ok("post", "/sign-in", json=OLIVE)
    stolen = other.http.cookies["matline"]
    other.ok("post", "/sign-out")
    assert desk.browser().get("/api/me", headers={"Cookie": f"matline={stolen}"}).status_code == 401
    weak = {"present": PASSWORD, "new": "short"}
    assert desk.owner.post("/me/password", json=weak).status_code == 422
    desk.owner.ok("post", "/me/password", json={"present": PASSWORD, "new": "another good one"})
    assert desk.owner.get("/me").status_code == 401


def test_a_token_for_scripts_needs_no_cookie_and_can_be_withdrawn(desk: Desk) -> None:
    made = desk.owner.ok("post", "/me/tokens", json={"name": "nightly"})
    script = desk.browser()
    bearer = {"Authorization": f"Bearer {made['token']}"}
    assert script.get("/api/me", headers=bearer).json()["name"] == "Olive"
    assert script.post("/api/practice/invitations", json={}, headers=bearer).status_code == 201
    with desk.services.store.read() as db:
        assert db.scalars(select(ApiToken)).one().used_at is not None
    desk.owner.ok("delete", f"/me/tokens/{made['id']}")
    assert script.get("/api/me", headers=bearer).status_code == 401


def test_an_invitation_is_for_one_person_and_some_days(desk: Desk) -> None:
    def join(link: str, name: str) -> int:
        data = {"token": link.partition("#")[2], "name": name, "email": f"{name}@example.org"}
        answer = desk.browser().post("/api/join", json=data | {"password": PASSWORD}, headers=ORIGIN)
        status: int = answer.status_code
        return status

    first = desk.owner.ok("post", "/practice/invitations", json={})
    assert first["link"].startswith("/join#"), "the secret is in no address that a server sees"
    assert (join(first["link"], "ann"), join(first["link"], "ben")) == (201, 404)
    late = desk.owner.ok("post", "/practice/invitations", json={})
    with desk.services.store.write() as db:
        db.get_one(Invitation, late["id"]).expires_at = now() - timedelta(seconds=1)
    assert join(late["link"], "cat") == 404
    withdrawn = desk.owner.ok("post", "/practice/invitations", json={})
    desk.owner.ok("delete", f"/practice/invitations/{withdrawn['id']}")
    assert join(withdrawn["link"], "dan") == 404
    assert join(desk.owner.ok("post", "/practice/invitations", json={})["link"], "ann") == 409


def test_only_the_owner_invites_colleagues(desk: Desk) -> None:
    coach = desk.join("coach", "Carl")
    assert coach.post("/practice/invitations", json={"role": "physio"}).status_code == 403
    assert coach.post("/practice/invitations", json={"role": "client"}).status_code == 201
    assert desk.client("Cleo").post("/practice/invitations", json={}).status_code == 403


def test_a_client_who_does_not_agree_is_not_seen(desk: Desk) -> None:
    client = desk.client("Cleo", agree=False)
    assert desk.owner.get(f"/clients/{client.id}").status_code == 404
    client.ok("put", f"/me/staff/{desk.owner.id}")
    assert desk.owner.get(f"/clients/{client.id}").status_code == 200


# ------------------------------------------------------------------------------- the gate


@pytest.mark.parametrize(
    "headers",
    [
        {},
        {"Origin": "https://evil.example"},
        {"Origin": "null"},
        {"Referer": "https://evil.example/127.0.0.1"},
    ],
)
def test_other_sites_cannot_change_anything(desk: Desk, headers: dict[str, str]) -> None:
    before = desk.owner.ok("get", "/practice")
    answer = desk.owner.http.patch("/api/practice", json={"name": "stolen"}, headers=headers)
    assert answer.status_code == 403
    assert desk.owner.ok("get", "/practice") == before


def test_other_host_names_are_not_served(desk: Desk) -> None:
    """A hostile site that points its own name at 127.0.0.1 gets nothing."""
    for host in ("evil.example", "evil.example:8000", "", "127.0.0.1.evil.example"):
        assert desk.owner.get("/me", headers={"Host": host}).status_code == 422
    assert desk.owner.get("/me", headers={"Host": "localhost:8000"}).status_code == 200


def test_answers_are_neither_kept_nor_framed(desk: Desk) -> None:
    for path in ("/api/me", "/", "/sign-in", "/api/nothing"):
        headers = desk.owner.http.get(path).headers
        assert headers["cache-control"] == "no-store"
        assert "frame-ancestors 'none'" in headers["content-security-policy"]
        assert "unsafe" not in headers["content-security-policy"]
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["referrer-policy"] == "no-referrer"
    assert "max-age" in desk.owner.http.get("/static/forms.js").headers["cache-control"]


def test_rates_are_limited(open_desk: Callable[..., Desk]) -> None:
    desk = open_desk(workers=0, requests_per_minute=30, sign_ins_per_minute=5)
    http = desk.browser()
    tried = [http.post("/api/sign-in", json=OLIVE, headers=ORIGIN).status_code for _ in range(8)]
    assert tried.count(429) >= 3
    assert tried[0] == 200
    answers = [desk.owner.get("/me") for _ in range(40)]
    assert answers[-1].status_code == 429
    assert int(answers[-1].headers["retry-after"]) <= 60
    assert desk.browser().get("/sign-in").status_code == 200, "others are not held up"


@pytest.mark.parametrize("host", ["elsewhere.example", "[", "127.0.0.1"])
def test_who_is_turned_away_at_the_gate_reads_what_to_do(open_desk: Callable[..., Desk], host: str) -> None:
    """A page for people, JSON for scripts, of the same words."""
    http = open_desk(workers=0, requests_per_minute=5).browser()
    found = [
        [http.get(path, headers={"Host": host}) for path in ("/sign-in", "/api/me", "/sign-in", "/api/me")]
        for _ in range(4)
    ][-1]
    for page, script in zip(found[::2], found[1::2], strict=True):
        assert page.status_code == script.status_code == (429 if host == "127.0.0.1" else 422)
        assert page.headers["content-type"].startswith("text/html")
        assert "frame-ancestors 'none'" in page.headers["content-security-policy"]
        words = script.json()["detail"]
        assert re.sub(r"\d+ s", "", words) in re.sub(r"\d+ s", "", html.unescape(page.text))
        if host == "127.0.0.1":
            assert int(page.headers["retry-after"]) <= 60
            assert "Try again" in page.text
        else:
            assert "Open http://127.0.0.1:8000 instead." in words
            assert '<a href="http://127.0.0.1:8000">' in page.text


def test_a_database_that_is_away_is_told_in_words(
    open_desk: Callable[..., Desk], postgres_alone: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    desk = open_desk(workers=0, database_url=postgres_alone)
    lost = sessionmaker(create_engine("postgresql+psycopg://matline@/postgres?host=/nowhere"))
    for way in ("_reading", "_writing"):
        monkeypatch.setattr(desk.services.store, way, lost)
    page, script = desk.owner.http.get("/"), desk.owner.get("/me")
    assert page.status_code == script.status_code == 503
    assert "Try again in a minute." in page.text
    assert "Try again in a minute." in script.json()["detail"]


def test_made_up_cookies_do_not_escape_the_limit(open_desk: Callable[..., Desk]) -> None:
    desk = open_desk(workers=0, requests_per_minute=2)
    http = desk.browser()
    answers = [http.get("/api/me", headers={"Cookie": f"matline=made-up-{i}"}) for i in range(60)]
    assert answers[0].status_code == 401
    assert answers[-1].status_code == 429


def test_a_large_body_is_refused(desk: Desk) -> None:
    answer = desk.owner.post("/me/tokens", content=b"x" * 2_000_000)
    assert answer.status_code == 413


def test_the_log_names_nobody(
    working_desk: Desk, clip_bytes: bytes, caplog: pytest.LogCaptureFixture
) -> None:
    client = working_desk.client("Cleopatra")
    working_desk.send_clip(client, clip_bytes)
    working_desk.wait(client, client.ok("get", f"/clients/{client.id}/clips")[0]["id"])
    told = "\n".join(
        r.getMessage() for r in caplog.records if r.name.startswith(("service", "uvicorn", "dbos"))
    )
    with working_desk.services.store.read() as db:
        person = db.get_one(Person, client.id)
    assert not any(private in told for private in (person.name, person.email, PASSWORD))


def test_secure_cookie_behind_https(tmp_path_factory: pytest.TempPathFactory) -> None:
    from desk import settings_for

    from service.app import create_app

    settings = settings_for(tmp_path_factory.mktemp("tls"), workers=0, public_url="https://practice.example")
    app = create_app(settings)
    with TestClient(app, base_url="https://practice.example") as http:
        data = {"practice": "P", "name": "N", "email": "n@example.org", "password": PASSWORD}
        data |= {"code": app.state.services.setup_code}
        answer = http.post("/api/first-run", json=data, headers={"Origin": "https://practice.example"})
        assert answer.status_code == 201
        assert answer.headers["set-cookie"].startswith("__Host-matline=")
        assert "secure" in answer.headers["set-cookie"].lower()
        assert "strict-transport-security" in answer.headers
        assert http.get("/api/me").json()["name"] == "N"
