"""A level easier or harder: another exercise, or the same one in a form that is told in words."""

from typing import Any

import pytest
from desk import Desk, Someone

from analysis import exercises
from service import exercise_data

ALL = [
    (name, way, form)
    for name in exercises.names()
    for way in exercise_data.DIRECTIONS
    for form in exercise_data.forms(name, way)
]
EVERY_DAY = [1, 2, 3, 4, 5, 6, 7]


def item_of(desk: Desk, client: Someone, exercise: str, **more: Any) -> dict[str, Any]:
    data = {"exercise": exercise, "days": EVERY_DAY, "repetitions": 6, **more}
    item: dict[str, Any] = desk.owner.ok("post", f"/clients/{client.id}/programme", json=data)
    return item


def propose(desk: Desk, item: dict[str, Any], way: str, **to: Any) -> Any:
    data = {"direction": way, "reason": "as agreed", **to}
    return desk.owner.post(f"/programme/{item['id']}/proposals", json=data)


def confirm(desk: Desk, proposal: Any) -> None:
    assert proposal.status_code == 201, proposal.text
    desk.owner.ok("post", f"/proposals/{proposal.json()['id']}", json={"state": "confirmed"})


def seen(client: Someone, item: dict[str, Any]) -> dict[str, Any]:
    """An item as the client has it today."""
    items = client.ok("get", f"/clients/{client.id}/today")["items"]
    return next(i for i in items if i["id"] == item["id"])


def test_every_form_on_file_can_be_set(desk: Desk) -> None:
    client = desk.client("Cleo")
    in_words = [one for one in ALL if not one[2].exercise]
    assert len(in_words) > 10
    for name, way, form in ALL:
        item = item_of(desk, client, name)
        confirm(desk, propose(desk, item, way, form=form.text))
        got = seen(client, item)
        assert got["repetitions"] == 6
        if form.exercise:
            assert (got["exercise"], got["form"], got["form_caution"]) == (form.exercise, "", "")
        else:
            assert (got["exercise"], got["form"]) == (name, form.text)
            assert got["form_caution"], "advice stands next to its caution"


def test_a_form_changes_nothing_before_it_is_confirmed_and_can_be_left_again(desk: Desk) -> None:
    client = desk.client("Cleo")
    item = item_of(desk, client, "toe_tap")
    text = "Slide the heel instead of lifting the foot"
    proposal = propose(desk, item, "easier", form=text)
    assert proposal.json()["form"] == text
    assert seen(client, item)["form"] == ""
    confirm(desk, proposal)
    assert seen(client, item)["form"] == text
    confirm(desk, propose(desk, item, "harder", form=""))
    assert (seen(client, item)["exercise"], seen(client, item)["form"]) == ("toe_tap", "")


def test_another_exercise_leaves_the_form_behind(desk: Desk) -> None:
    client = desk.client("Cleo")
    item = item_of(desk, client, "toe_tap", form="My own way of it")
    assert (seen(client, item)["form"], seen(client, item)["form_caution"]) == ("My own way of it", "")
    confirm(desk, propose(desk, item, "harder", exercise="leg_extension"))
    assert (seen(client, item)["exercise"], seen(client, item)["form"]) == ("leg_extension", "")


@pytest.mark.parametrize(
    "to",
    [
        {},
        {"form": "A form that nobody wrote"},
        {"form": "Leg extension"},  # that is the harder one
        {"form": "", "exercise": "clam"},
        {"exercise": "no_such_exercise"},
    ],
)
def test_what_is_no_form_is_refused(desk: Desk, to: dict[str, str]) -> None:
    client = desk.client("Cleo")
    item = item_of(desk, client, "toe_tap")
    assert propose(desk, item, "easier", **to).status_code == 422
    assert desk.owner.ok("get", f"/clients/{client.id}/proposals") == []


def test_one_step_proposes_and_confirms_but_not_while_a_warning_sign_is_open(desk: Desk) -> None:
    client = desk.client("Cleo")
    item = item_of(desk, client, "toe_tap")
    stopped = desk.session_of(client, leg_weakness=True)
    assert propose(desk, item, "harder", form="Leg extension", confirmed=True).status_code == 409
    assert desk.owner.ok("get", f"/clients/{client.id}/proposals") == []
    desk.owner.ok("post", f"/sessions/{stopped}/clear", json={"note": "seen"})
    assert seen(client, item)["exercise"] == "toe_tap"
    assert propose(desk, item, "harder", form="Leg extension", confirmed=True).json()["state"] == "confirmed"
    assert seen(client, item)["exercise"] == "leg_extension"
