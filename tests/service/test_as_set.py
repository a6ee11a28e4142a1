"""What a coach set in the programme is what a clip is measured against."""

import json
from typing import Any

import pytest
from conftest import opening
from desk import Desk, Someone, add_bytes, announce

EVERY_DAY = [1, 2, 3, 4, 5, 6, 7]


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Any:
    for start in opening(tmp_path_factory.mktemp("desk") / "data"):
        yield start(measure="standin:ordered", open_uploads=100)


@pytest.fixture(scope="module")
def client(desk: Desk) -> Someone:
    return desk.client("Cleo")


def sent(desk: Desk, client: Someone, clip: bytes, item: dict[str, Any], **meta: str) -> str:
    """A measured clip of a new item of the programme."""
    data = {"exercise": "clam", "days": EVERY_DAY} | item
    made = desk.owner.ok("post", f"/clients/{client.id}/programme", json=data)["id"]
    told = {"exercise": "clam", "session": desk.session_of(client), "item": made} | meta
    upload = announce(client, len(clip), **told).json()["id"]
    assert add_bytes(client, upload, 0, clip).status_code == 204
    assert desk.wait(client, upload)["job"]["state"] == "done"
    return str(upload)


def order(client: Someone, clip_id: str) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(client.ok("get", f"/clips/{clip_id}/report")["findings"][0]["message"])
    return found


@pytest.mark.parametrize("side", ["left", "right", "both"])
def test_the_side(desk: Desk, client: Someone, clip_bytes: bytes, side: str) -> None:
    clip_id = sent(desk, client, clip_bytes, {"side": side})
    assert order(client, clip_id) == {"side": side}
    assert client.ok("get", f"/clips/{clip_id}")["side"] == side


def test_a_side_that_the_sender_names_comes_first(desk: Desk, client: Someone, clip_bytes: bytes) -> None:
    assert order(client, sent(desk, client, clip_bytes, {"side": "left"}, side="right"))["side"] == "right"


def test_the_side_of_another_exercise_says_nothing(desk: Desk, client: Someone, clip_bytes: bytes) -> None:
    """As where the item was moved a level up after the page was opened."""
    assert (
        order(client, sent(desk, client, clip_bytes, {"side": "left"}, exercise="bridge"))["side"] == "both"
    )


def test_range_hold_and_tempo(desk: Desk, client: Someone, clip_bytes: bytes) -> None:
    set_ = {"range_deg": 40.0, "hold_s": 5.0, "tempo_s": 2.5, "repetitions": 12, "side": "left"}
    clip_id = sent(desk, client, clip_bytes, set_)
    assert order(client, clip_id) == {"side": "left", "range_deg": 40.0, "hold_s": 5.0, "tempo_s": 2.5}
    words = "12 repetitions, hold 5 s, 2.5 s each way, about 40° of movement, left side"
    assert f"Your programme asks for: {words}." in client.http.get(f"/clips/{clip_id}").text
    assert f"In the programme now: {words}." in desk.owner.http.get(f"/clips/{clip_id}").text
