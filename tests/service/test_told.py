"""What pages tell, and to whom: strong pain, warning signs that were seen to, whose data was looked at."""

import html
from datetime import timedelta

import pytest
from desk import Desk, Someone

from analysis import cautions, exercises
from service import audit, exercise_data
from service.store.columns import now
from service.store.models import AuditEntry, Person


def page(someone: Someone, path: str = "/") -> str:
    answer = someone.http.get(path)
    assert answer.status_code == 200, (path, answer.status_code)
    return html.unescape(answer.text)


def begin(client: Someone, pain: int = 2, **yes: bool) -> str:
    asked = client.ok("get", "/before-session")["questions"]
    answers = {q["kind"]: yes.get(q["kind"], False) for q in asked}
    return str(client.ok("post", "/sessions", json={"pain_before": pain, "answers": answers})["id"])


@pytest.mark.parametrize(("pain", "strong"), [(6, False), (7, True), (10, True)])
def test_strong_pain_is_told_before_any_exercise(desk: Desk, pain: int, strong: bool) -> None:
    desk.owner.ok("patch", "/practice", json={"contact": "Call Olive, 555 0100."})
    client = desk.client("Cleo")
    desk.owner.ok(
        "post", f"/clients/{client.id}/programme", json={"exercise": "bridge", "days": [*range(1, 8)]}
    )
    begin(client, pain)
    text, told = page(client), cautions.load().pain.strong
    assert (told in text) is strong
    assert ("Call Olive" in text) is strong
    assert not strong or text.index(told) < text.index("1. Bridge")
    assert ("strong pain before" in page(desk.owner, f"/clients/{client.id}")) is strong


@pytest.mark.parametrize(
    ("kind", "lasts"), [("immune", True), ("leg_weakness", False), ("saddle_numbness", False)]
)
def test_what_may_last_is_not_reported_each_time(desk: Desk, kind: str, lasts: bool) -> None:
    client, told = desk.client("Cleo"), cautions.load().seen_to.text
    stopped = begin(client, **{kind: True})
    assert told not in page(client)
    desk.owner.ok("post", f"/sessions/{stopped}/clear", json={"note": "Known to her doctor."})
    text = page(client)
    assert (told in text) is lasts
    assert "Known to her doctor." not in text, "written for colleagues"
    begin(client, **{kind: True})
    assert "Stop here and speak to someone first" in page(client), "a yes counts as ever"


def test_nobody_is_said_to_see_a_warning_sign_whom_the_client_did_not_let(desk: Desk) -> None:
    client = desk.client("Cleo", agree=False)
    begin(client, immune=True)
    assert "Your practice sees" not in page(client)
    assert "Nobody of your practice can see this" in page(client)
    client.ok("put", f"/me/staff/{desk.owner.id}")
    assert "Your practice sees that you reported this" in page(client)


def test_the_trail_says_whose_data_and_goes_all_the_way_back(desk: Desk) -> None:
    client = desk.client("Cleo")
    page(desk.owner, f"/clients/{client.id}")
    assert 'opened the client\'s page <span class="whose">(Cleo)</span>' in page(desk.owner, "/practice")
    with desk.services.store.write() as db:
        long_ago = now() - timedelta(days=400)
        owner = db.get_one(Person, desk.owner.id)
        old = {
            "practice_id": owner.practice_id,
            "actor_id": owner.id,
            "subject_id": client.id,
            "action": "saw",
        }
        db.add_all(
            AuditEntry(**old, what="video", at=long_ago + timedelta(hours=i)) for i in range(audit.MOST)
        )
        db.add(AuditEntry(**old, what="range_csv", at=long_ago - timedelta(days=1)))
    for person, path in ((desk.owner, "/practice"), (client, "/privacy")):
        texts = [page(person, path)]
        while "Further back" in texts[-1]:
            texts.append(page(person, path + texts[-1].partition('<p><a href="')[2].partition('"')[0]))
        first, *further = texts
        assert "watched the video" in first
        assert "as CSV" not in first
        assert "as CSV" in further[-1], path


@pytest.mark.parametrize("name", exercises.Prescription.model_fields)
def test_a_target_is_one_that_can_be_meant(desk: Desk, name: str) -> None:
    client, most = desk.client("Cleo"), exercise_data.TARGETS[name]
    for value, status in ((most, 200), (most + 0.1, 422), (0, 422), (-1, 422)):
        target = {"exercise": "toe_tap", "name": name, "value": value}
        answer = desk.owner.put(f"/clients/{client.id}/targets", json=target)
        assert answer.status_code == status, (name, value)
    assert answer.json()["detail"] == f"Choose a value above 0 and not above {most:g}."


def test_what_cannot_be_had_is_told_in_one_sentence(desk: Desk, clip_bytes: bytes) -> None:
    used = {"token": "x", "name": "Eve", "email": "eve@example.org", "password": "long enough for it"}
    assert desk.owner.post("/join", json=used).json()["detail"] == (
        "There is no such invitation, or it was used already, or is too old. Ask for a new one."
    )
    clip = desk.send_clip(client := desk.client("Cleo"), clip_bytes).request.url.path.rpartition("/")[2]
    assert client.get(f"/clips/{clip}/report").json()["detail"] == (
        "There is no such report, as the clip is not measured yet."
    )


def test_an_address_that_leads_nowhere_is_a_page_for_people_only(desk: Desk) -> None:
    for path in ("/nothing", "/clients/x/y/z"):
        answer = desk.owner.http.get(path)
        assert (answer.status_code, "There is no such page" in answer.text) == (404, True)
        assert answer.headers["content-type"].startswith("text/html")
    for path in ("/api/nothing", "/static/nothing.js"):
        assert desk.owner.http.get(path).json() == {"detail": "Not Found"}
    assert desk.owner.delete("/me").status_code == 405
