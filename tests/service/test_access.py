"""Another client's data is out of reach by every route there is; the routes are read from the API itself."""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import pytest
from desk import ORIGIN, PASSWORD, Desk, Someone, add_bytes, announce

from service import accounts, consent
from service.store.models import Person, Practice, Proposal, Target

SAMPLES = {"form": "json", "purpose": "measure", "finding": "r1.pelvis_tilted.0"}
SNOOPS = ["another client", "a coach without agreement", "the owner of another practice"]
# These name things of whoever asks, or nobody's data: reaching them with any identifier is no breach.
OWN = {
    ("put", "/api/me/consents/{purpose}"),
    ("delete", "/api/me/consents/{purpose}"),
    ("delete", "/api/me/staff/{staff_id}"),
}


@dataclass
class Case:
    desk: Desk
    ids: dict[str, str]
    snoops: dict[str, Someone]


@pytest.fixture(scope="module")
def case(module_desk: Desk, clip_bytes: bytes) -> Case:
    """A client with one of everything, and people who may not see any of it."""
    desk = module_desk
    victim = desk.client("Vera")
    item = desk.owner.ok("post", f"/clients/{victim.id}/programme", json={"exercise": "toe_tap", "days": [1]})
    session = desk.session_of(victim)
    desk.send_clip(victim, clip_bytes, session=session)
    clip = victim.ok("get", f"/clients/{victim.id}/clips")[0]["id"]
    assert desk.wait(victim, clip)["job"]["state"] == "done"
    comment = victim.ok("post", f"/clips/{clip}/comments", json={"text": "mine"})
    upload = announce(victim, 10, exercise="toe_tap", session=session).json()
    with desk.services.store.write() as db:
        target = Target(client_id=victim.id, exercise="toe_tap", name="pelvis_deg", value=5)
        proposal = Proposal(
            client_id=victim.id, item_id=item["id"], direction="easier", exercise="toe_tap", reason="r"
        )
        db.add_all([target, proposal])
    ids = {
        "client_id": victim.id,
        "person_id": victim.id,
        "staff_id": desk.owner.id,
        "clip_id": clip,
        "session_id": session,
        "item_id": item["id"],
        "proposal_id": proposal.id,
        "target_id": target.id,
        "upload_id": upload["id"],
        "comment_id": comment["id"],
        "token_id": victim.ok("post", "/me/tokens", json={"name": "script"})["id"],
        "invitation_id": desk.owner.ok("post", "/practice/invitations", json={})["id"],
    }
    snoops = {
        "another client": desk.client("Cleo"),
        "a coach without agreement": desk.join("coach", "Carl"),
        "the owner of another practice": stranger(desk),
    }
    return Case(desk, ids, snoops)


def stranger(desk: Desk) -> Someone:
    with desk.services.store.write() as db:
        practice = Practice(name="Elsewhere")
        db.add(practice)
        db.flush()
        secret = desk.services.passwords.hash(PASSWORD)
        accounts.add_person(db, practice.id, "coach", "Sam", "sam@example.org", secret, owner=True)
    someone = Someone(desk.browser(), "", "Sam")
    someone.ok("post", "/sign-in", json={"email": "sam@example.org", "password": PASSWORD})
    return someone


def routes(desk: Desk) -> Iterator[tuple[str, str]]:
    for path, methods in desk.app.openapi()["paths"].items():
        for method in methods:
            yield method, path


def ask(case: Case, who: Someone, method: str, path: str) -> Any:
    filled = re.sub(r"{(\w+)}", lambda m: (case.ids | SAMPLES)[m[1]], path)
    body = {"owner": True} if path.endswith("/owner") else {}
    extra: dict[str, Any] = {"json": body} if method in ("post", "put", "patch") else {}
    if path == "/api/uploads/{upload_id}" and method == "patch":
        return add_bytes(who, case.ids["upload_id"], 0, b"0123456789")
    return getattr(who.http, method)(filled, headers=ORIGIN, **extra)


def test_the_list_of_routes_is_whole(case: Case) -> None:
    found = list(routes(case.desk))
    assert len(found) > 60
    named = {name for _, path in found for name in re.findall(r"{(\w+)}", path)}
    assert named <= set(case.ids) | set(SAMPLES), "give the new parameter an identifier of the victim"


@pytest.mark.parametrize("snoop", SNOOPS)
def test_nobody_else_reaches_it(case: Case, snoop: str) -> None:
    who = case.snoops[snoop]
    for method, path in routes(case.desk):
        if "{" not in path or (method, path) in OWN:
            continue
        answer = ask(case, who, method, path)
        if (method, path) == ("put", "/api/me/staff/{staff_id}") and snoop == "another client":
            continue  # the coach is theirs to choose, too
        assert answer.status_code in (403, 404), (method, path, answer.status_code, answer.text)


@pytest.mark.parametrize("snoop", SNOOPS)
def test_lists_do_not_tell_of_it(case: Case, snoop: str) -> None:
    who = case.snoops[snoop]
    for method, path in routes(case.desk):
        if method != "get" or "{" in path:
            continue
        answer = ask(case, who, method, path)
        for name in ("client_id", "clip_id", "session_id", "item_id", "upload_id"):
            assert case.ids[name] not in answer.text, (path, name)
        assert "vera@" not in answer.text, path


def test_nobody_gets_in_without_signing_in(case: Case) -> None:
    nobody = Someone(case.desk.browser(), "", "nobody")
    open_to_all = {"/api/first-run", "/api/sign-in", "/api/join"}
    for method, path in routes(case.desk):
        if path in open_to_all or method == "options":
            continue
        answer = ask(case, nobody, method, path)
        assert answer.status_code == 401, (method, path, answer.status_code)


def test_the_victim_and_their_coach_do_reach_it(case: Case) -> None:
    """So that the tests above cannot pass because of wrong addresses."""
    coach = case.desk.owner
    for method, path in routes(case.desk):
        if method == "get" and "{" in path and "upload" not in path:
            answer = ask(case, coach, method, path)
            assert answer.status_code == 200, (path, answer.status_code, answer.text)


def test_an_upload_for_somebody_else_is_refused(case: Case) -> None:
    cleo = case.snoops["another client"]
    made = announce(cleo, 10, exercise="toe_tap", client=case.ids["client_id"])
    assert made.status_code == 404
    own = case.desk.session_of(cleo)
    assert announce(cleo, 10, exercise="toe_tap", session=case.ids["session_id"]).status_code == 404
    assert announce(cleo, 10, exercise="toe_tap", session=own, item=case.ids["item_id"]).status_code == 404


def test_sight_ends_with_the_agreement(desk: Desk) -> None:
    client = desk.client("Cleo")
    assert desk.owner.get(f"/clients/{client.id}").status_code == 200
    client.ok("delete", f"/me/staff/{desk.owner.id}")
    assert desk.owner.get(f"/clients/{client.id}").status_code == 404
    assert desk.owner.ok("get", "/clients") == []


def test_numbers_without_video_where_watching_is_not_agreed(case: Case) -> None:
    coach = case.desk.owner
    clip = case.ids["clip_id"]
    assert coach.get(f"/clips/{clip}/video").status_code == 200
    with case.desk.services.store.write() as db:
        victim = db.get_one(Person, case.ids["client_id"])
        consent.withdraw(db, victim, "watch")
    assert coach.get(f"/clips/{clip}/video").status_code == 403
    assert coach.get(f"/clips/{clip}/track").status_code == 403
    assert coach.get(f"/clips/{clip}/report").status_code == 200
    with case.desk.services.store.write() as db:
        consent.give(db, db.get_one(Person, case.ids["client_id"]), "watch")


@pytest.mark.parametrize(
    ("path", "what"), [("/", "clip_queue"), ("/api/clips", "clip_queue"), ("/clients", "clients")]
)
def test_a_look_at_a_list_is_noted(desk: Desk, clip_bytes: bytes, path: str, what: str) -> None:
    client, unseen = desk.client("Cleo"), desk.client("Uma", agree=False)
    for one in (client, unseen):
        desk.send_clip(one, clip_bytes)
    for _ in range(3):
        assert desk.owner.http.get(path).status_code == 200
    entries = [e for e in client.ok("get", "/me/audit") if e["action"] == "saw"]
    assert [(e["what"], e["actor"]) for e in entries] == [(what, "Olive")]
    assert not [e for e in unseen.ok("get", "/me/audit") if e["action"] == "saw"]
    client.http.get(path)
    assert len([e for e in client.ok("get", "/me/audit") if e["action"] == "saw"]) == 1, "not of oneself"


def test_a_reported_warning_sign_is_not_read_unnoticed(desk: Desk) -> None:
    client = desk.client("Cleo")
    desk.session_of(client, leg_weakness=True)
    assert "Cleo reported a warning sign" in desk.owner.http.get("/").text
    assert "clip_queue" in [e["what"] for e in client.ok("get", "/me/audit")]


def test_looks_and_changes_are_noted(case: Case) -> None:
    coach, clip = case.desk.owner, case.ids["clip_id"]
    for _ in range(3):
        coach.ok("get", f"/clips/{clip}/report")
    coach.ok("post", f"/clips/{clip}/comments", json={"text": "look here"})
    entries = coach.ok("get", f"/clients/{case.ids['client_id']}/audit")
    looks = [e for e in entries if (e["action"], e["what"]) == ("saw", "report") and e["object_id"] == clip]
    assert len(looks) == 1, "one visit is one look"
    assert looks[0]["actor"] == "Olive"
    assert any(e["action"] == "changed" and e["what"] == "comment" for e in entries)
    assert not any("look here" in str(e) for e in entries)
