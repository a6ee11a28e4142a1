"""The physio's table: ends of motion within repetitions, and what counts as a real difference."""

from datetime import UTC, datetime

import pytest
from desk import Desk

from analysis.records import Measures, Repetition, Report
from analysis.statistics import change_limit
from service import motion

AT = datetime(2026, 3, 4, tzinfo=UTC)


def test_only_complete_repetitions_count() -> None:
    report = Report.model_construct(
        series={"time_s": (0, 1, 2, 3, 4, 5), "knee_flexion_left": (150, 10, 90, None, 12, 170)},
        uncertainty_deg={"knee_flexion_left": 3.0},
        repetitions=(
            Repetition(index=1, side="left", start_s=1, turn_s=2, end_s=4, measures=Measures(),
                       verdict="sound"),
            Repetition(index=2, side="left", start_s=4.5, turn_s=5, end_s=6, complete=False,
                       measures=Measures(), verdict="not_measured"),
        ),
    )  # fmt: skip
    assert motion.ranges(report) == {"knee_flexion_left": [10.0, 90.0, 3.0]}


def test_a_difference_is_real_beyond_both_errors() -> None:
    now = {"knee_flexion_left": [5.0, 100.0, 3.0], "knee_flexion_right": [5.0, 95.0, 4.0]}
    before = [(AT, {"knee_flexion_left": [5.0, 94.0, 3.0]})]
    found = {(r.signal, r.end): r for r in motion.rows(now, before)}
    left = found["knee_flexion_left", "highest"]
    assert left.other_side is not None
    assert (left.other_side.difference, left.other_side.limit, left.other_side.real) == (5.0, 5.0, False)
    assert left.earlier[0].limit == pytest.approx(change_limit(3, 3), abs=0.005)
    assert left.earlier[0].real, "6 deg, beyond 4.24"
    assert left.reference is not None
    assert "PMC5144495" in left.reference.source
    assert found["knee_flexion_right", "highest"].earlier == []
    assert found["knee_flexion_left", "lowest"].reference is None


def test_every_reference_says_in_whom_and_where() -> None:
    for reference in motion.references():
        assert reference.source
        assert reference.population
        assert 0 < reference.mean < 180


def test_the_table_and_the_files_of_a_clip(working_desk: Desk, clip_bytes: bytes) -> None:
    client, coach = working_desk.client("Cleo"), working_desk.owner
    working_desk.send_clip(client, clip_bytes)
    clip_id = client.ok("get", f"/clients/{client.id}/clips")[0]["id"]
    working_desk.wait(client, clip_id)
    row = coach.ok("get", f"/clips/{clip_id}/range-of-motion")[0]
    assert (row["signal"], row["value"], row["half_width"]) == ("pelvic_tilt", 8.0, 2.0)
    holds = {"json": b'"schema"', "html": b"<!doctype html>", "pdf": b"%PDF-", "curves.csv": b"pelvic_tilt",
             "repetitions.csv": b"range", "fhir.json": b"Observation"}  # fmt: skip
    for form, part in holds.items():
        answer = coach.get(f"/clips/{clip_id}/export/{form}")
        assert answer.status_code == 200, (form, answer.text)
        assert answer.headers["content-disposition"].endswith(f'.{form}"')
        assert part in answer.content, form
    assert '"preliminary"' in coach.get(f"/clips/{clip_id}/export/fhir.json").text
    coach.ok("post", f"/clips/{clip_id}/reviewed")
    assert '"preliminary"' not in coach.get(f"/clips/{clip_id}/export/fhir.json").text
    progress = coach.ok("get", f"/clients/{client.id}/progress")
    assert progress["exercises"][0]["exercise"] == "toe_tap"
