"""What pages tell, and to whom: strong pain, warning signs that were seen to, whose data was looked at."""

import html
from datetime import timedelta

import pytest
from desk import Desk, Someone, announce

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


def with_bridge(desk: Desk) -> Someone:
    """A client with an exercise for today."""
    desk.owner.ok("patch", "/practice", json={"contact": "Call Olive, 555 0100."})
    client = desk.client("Cleo")
    desk.owner.ok(
        "post", f"/clients/{client.id}/programme", json={"exercise": "bridge", "days": [*range(1, 8)]}
    )
    return client


@pytest.mark.parametrize(("pain", "limit", "stops"), [(6, None, False), (7, None, True), (10, None, True),
                                                      (7, 9, False), (9, 9, True), (3, 3, True)])  # fmt: skip
def test_strong_pain_stops_the_session(desk: Desk, pain: int, limit: int | None, stops: bool) -> None:
    client, told = with_bridge(desk), cautions.load().pain
    if limit is not None:
        assert desk.owner.put(f"/clients/{client.id}/pain-limit", json={"pain": limit}).status_code == 204
    assert f"pain of {limit or told.strong_from} or more" in page(client)
    session = begin(client, pain)
    text = page(client)
    assert ("1. Bridge" in text) is not stops
    for whom in (told.sign.contact, "Call Olive", "Stop here and speak to someone first"):
        assert (whom in text) is (stops or (whom == "Call Olive" and pain >= told.strong_from))
    assert (told.strong in text) is (not stops and pain >= told.strong_from), (
        "told, where a coach knows of it"
    )
    sent = announce(client, 10, exercise="bridge", session=session)
    assert (sent.status_code == 423) is stops
    assert (f"with pain {pain} of 10" in page(desk.owner)) is stops
    if stops:
        again = client.post("/sessions", json={"pain_before": 1, "answers": {}})
        assert again.status_code == 423, "not by telling less pain afterwards"
        desk.owner.ok("post", f"/sessions/{session}/clear", json={"note": "Talked to."})
        assert begin(client, 2)
        assert "1. Bridge" in page(client)


@pytest.mark.parametrize("pain", [0, 11, None, 7.5])
def test_the_pain_that_stops_is_one_of_the_scale(desk: Desk, pain: object) -> None:
    client = desk.client("Cleo")
    assert desk.owner.put(f"/clients/{client.id}/pain-limit", json={"pain": pain}).status_code == 422
    assert client.put(f"/clients/{client.id}/pain-limit", json={"pain": 9}).status_code == 403


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
        target = {"exercise": "leg_extension", "name": name, "value": value}
        answer = desk.owner.put(f"/clients/{client.id}/targets", json=target)
        assert answer.status_code == status, (name, value)
    assert answer.json()["detail"] == f"Choose a value above 0 and not above {most:g}."


@pytest.mark.parametrize(
    ("exercise", "name", "status"),
    [("toe_tap", "range_deg", 422), ("toe_tap", "tempo_s", 200), ("knee_rolls", "pelvis_deg", 422),
     ("figure_four_stretch", "tempo_s", 422), ("figure_four_stretch", "hold_s", 200)],
)  # fmt: skip
def test_a_target_that_would_change_nothing_is_refused(
    desk: Desk, exercise: str, name: str, status: int
) -> None:
    target = {"exercise": exercise, "name": name, "value": 2}
    answer = desk.owner.put(f"/clients/{desk.client('Cleo').id}/targets", json=target)
    assert answer.status_code == status
    assert status == 200 or "would change nothing" in answer.json()["detail"]


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
