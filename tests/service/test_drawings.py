"""Curves and body lines of a clip, which are made once and sent at every look."""

import re
from collections.abc import Callable
from pathlib import Path

import pytest
from desk import Desk, Someone

from service import drawings, review
from service.store.models import Clip, StoredReport

TILTED, RUSHED = "r2.pelvis_tilted.0", "r4.rushed.0"


def marks(caller: Someone, clip_id: str) -> set[str]:
    """Tags of the findings that are marked at the curves of the caller's page."""
    page = caller.http.get(f"/clips/{clip_id}").text
    assert page.count('class="curve"') == 2, "the pelvis and the knees"
    return set(re.findall(r'<g class="mark [a-z_]+"><title>(F\d+):', page))


@pytest.fixture
def measured(open_desk: Callable[..., Desk], long_clip: Path) -> tuple[Desk, Someone, str]:
    desk = open_desk(measure="pictured:rich")
    client = desk.client("Cleo")
    desk.send_clip(client, long_clip.read_bytes())
    clip_id = client.ok("get", f"/clients/{client.id}/clips")[0]["id"]
    assert desk.wait(client, clip_id)["job"]["state"] == "done"
    return desk, client, clip_id


def test_what_is_kept_is_what_the_report_shows(measured: tuple[Desk, Someone, str]) -> None:
    desk, _, clip_id = measured
    with desk.services.store.read() as db:
        clip = db.get_one(Clip, clip_id)
        kept = drawings.Drawings.model_validate_json(review.stored(db, clip).curves or "")
        assert kept == drawings.drawn(review.report(db, clip))
        assert kept == drawings.of_clip(db, clip, set())


def test_a_dismissed_finding_is_marked_for_staff_alone(measured: tuple[Desk, Someone, str]) -> None:
    desk, client, clip_id = measured
    assert marks(client, clip_id) == marks(desk.owner, clip_id) == {"F1", "F2"}
    path = f"/clips/{clip_id}/findings"
    desk.owner.ok("put", f"{path}/{TILTED}", json={"accepted": False, "reason": "the shirt moved"})
    desk.owner.ok("put", f"{path}/{RUSHED}", json={"accepted": True})
    assert len(marks(client, clip_id)) == 1
    assert marks(desk.owner, clip_id) == {"F1", "F2"}


def test_a_report_of_before_drawings_were_kept_shows_its_curves(measured: tuple[Desk, Someone, str]) -> None:
    desk, client, clip_id = measured
    with desk.services.store.write() as db:
        db.get_one(StoredReport, clip_id).curves = None
    assert marks(client, clip_id) == {"F1", "F2"}


@pytest.mark.parametrize(
    ("taken", "coded"), [("gzip, br", True), ("gzip;q=0.5", True), ("identity", False), ("gzip;q=0", False)]
)
def test_body_lines_come_as_the_browser_takes_them(
    measured: tuple[Desk, Someone, str], taken: str, coded: bool
) -> None:
    _, client, clip_id = measured
    answer = client.get(f"/clips/{clip_id}/track", headers={"Accept-Encoding": taken})
    assert (answer.headers.get("content-encoding") == "gzip") is coded
    assert answer.headers["vary"] == "Accept-Encoding"
    assert set(answer.json()) == {"time_s", "points"}
