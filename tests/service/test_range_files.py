"""Range of motion over many sessions: files hold them all, the page the latest; a real change is marked."""

import csv
import io
from datetime import UTC, datetime, timedelta

import pytest
from desk import Desk, Someone

from analysis.statistics import change_limit
from service.store.models import Clip, Job, StoredReport

FIRST = datetime(2026, 3, 4, 10, 0, tzinfo=UTC)
KNEES = (100.0, 101.0, 102.0, 103.0, 104.0, 105.0, 106.0, 110.0)  # highest flexion [deg], a week apart
HALF_WIDTHS = (3.0, 3.0, 3.0, 3.0, 3.0, 3.0, 5.0, 4.0)  # [deg]


@pytest.fixture
def client(desk: Desk) -> Someone:
    return desk.client("Cleo")


@pytest.fixture
def last(desk: Desk, client: Someone) -> str:
    """The clip of the last of eight sessions."""
    with desk.services.store.write() as db:
        for week, (knee, half_width) in enumerate(zip(KNEES, HALF_WIDTHS, strict=True)):
            clip = Clip(client_id=client.id, exercise="toe_tap", side="both", size=1, duration_s=9.0, width=1,
                        height=1, created_at=FIRST + timedelta(weeks=week))  # fmt: skip
            db.add(clip)
            db.flush()
            db.add(Job(clip_id=clip.id, state="done"))
            ends = {"knee_flexion_left": [5.0, knee, half_width], "knee_flexion_right": [5.0, 96.0, 3.0]}
            db.add(StoredReport(clip_id=clip.id, body="{}", slim="{}", ranges=ends, usable=True,
                                repetitions=4, flagged=0))  # fmt: skip
        return str(clip.id)


def test_the_csv_holds_every_session_with_error_and_detectable_change(desk: Desk, last: str) -> None:
    text = desk.owner.http.get(f"/clips/{last}/range.csv").text
    lines = [
        line
        for line in csv.DictReader(io.StringIO(text))
        if (line["signal"], line["end"]) == ("knee_flexion_left", "highest")
    ]
    this, *earlier = lines
    assert (this["session"], this["value_deg"], this["half_width_deg"]) == ("this", "110.0", "4.0")
    assert this["measured_at_utc"] == "2026-04-22T10:00:00+00:00"
    assert (this["other_side_deg"], this["side_difference_deg"], this["sides_differ"]) == (
        "96.0", "14.0", "True",
    )  # fmt: skip
    assert "PMC5144495" in this["reference_source"]
    assert [float(line["value_deg"]) for line in earlier] == list(reversed(KNEES[:-1]))
    assert [float(line["half_width_deg"]) for line in earlier] == list(reversed(HALF_WIDTHS[:-1]))
    for line in earlier:
        change = 110.0 - float(line["value_deg"])
        limit = change_limit(4.0, float(line["half_width_deg"]))
        assert float(line["change_since_deg"]) == change
        assert float(line["detectable_change_deg"]) == pytest.approx(limit, abs=0.005)
        assert line["changed"] == str(change > limit)
    assert {line["changed"] for line in earlier} == {"True", "False"}, "4 deg within 6.4, 10 deg beyond 5"


def test_the_json_holds_the_same(desk: Desk, last: str) -> None:
    told = desk.owner.http.get(f"/clips/{last}/range.json").json()
    text = desk.owner.http.get(f"/clips/{last}/range.csv").text
    assert [
        {k: "" if v is None else str(v) for k, v in row.items()} for row in told
    ] == list(csv.DictReader(io.StringIO(text)))  # fmt: skip


def test_the_page_shows_the_latest_and_says_where_the_others_are(desk: Desk, last: str) -> None:
    text = desk.owner.http.get(f"/clips/{last}/range").text
    for shown in ("15\N{NO-BREAK SPACE}Apr 2026", "18\N{NO-BREAK SPACE}Mar 2026"):
        assert shown in text
    assert "11\N{NO-BREAK SPACE}Mar 2026" not in text
    assert "The files CSV and JSON hold 2 more" in text
    assert "UTC</th>" not in text, "each day once"
    words = " ".join(text.replace('<span class="against">', "").replace("</span>", "").split())
    assert "106.0° ± 5.0° change +4.0°, within 6.4°" in words
    assert "105.0° ± 3.0° ◆ change +5.0°, within" not in words
    assert "104.0° ± 3.0° ◆ change +6.0°, beyond 5.0°" in words
