"""Reading folders: older schema, corrupt and undated files, duplicates, several clients."""

import json
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from fake_sessions import START, report

from analysis.errors import ReportError
from analysis.progress import follow, read_files, read_folder
from analysis.records import Report
from analysis.report import write_json


def write(folder: Path, name: str, told: Report) -> Path:
    path = folder / f"{name}.json"
    write_json(told, path)
    return path


def on_day(day: float, **fields: Any) -> Report:
    return report(at=START + timedelta(days=day), **fields)


def older(folder: Path, name: str, told: Report) -> Path:
    """The same report as schema 0 wrote it."""
    data = json.loads(told.model_dump_json(by_alias=True))
    data["schema"] = 0
    del data["change_uncertainty_deg"]
    data["cautions"] = [caution["text"] for caution in data["cautions"]]
    for repetition in data["repetitions"]:
        repetition["side"] = {"left": "L", "right": "R"}[repetition["side"]]
    path = folder / f"{name}.json"
    path.write_text(json.dumps(data))
    return path


def test_a_corrupt_file_is_named_and_the_others_kept(tmp_path: Path) -> None:
    write(tmp_path, "a", on_day(0))
    write(tmp_path, "b", on_day(7))
    whole = (tmp_path / "b.json").read_text()
    (tmp_path / "cut.json").write_text(whole[: len(whole) // 2])
    (tmp_path / "other.json").write_text('{"colour": "blue"}')
    (tmp_path / "wrong.json").write_text(whole.replace('"sound"', '"splendid"'))
    sessions, skipped = read_folder(tmp_path)
    assert [s.name for s in sessions] == ["a", "b"]
    assert [s.name for s in skipped] == ["cut.json", "other.json", "wrong.json"]
    assert all("report" in s.reason for s in skipped)


def test_a_report_of_an_older_schema_is_brought_up(tmp_path: Path) -> None:
    older(tmp_path, "a", on_day(0))
    write(tmp_path, "b", on_day(7))
    sessions, skipped = read_folder(tmp_path)
    assert skipped == ()
    assert sessions[0].report.repetitions[0].side == "left"
    change = next(c for c in follow(sessions).exercises[0].changes if c.measure == "range_deg")
    # No error of a change was stated then: that of a value stands in, which is larger.
    assert change.first.half_width is not None
    assert change.last.half_width is not None
    assert change.first.half_width > change.last.half_width


@pytest.mark.parametrize("damage", [{"repetitions": None}, {"repetitions": [1]}, {"cautions": 5}])
def test_a_damaged_older_report_is_named(tmp_path: Path, damage: dict[str, Any]) -> None:
    path = older(tmp_path, "a", on_day(0))
    path.write_text(json.dumps(json.loads(path.read_text()) | damage))
    _, skipped = read_files([path])
    assert skipped[0].name == "a.json"
    assert "schema 0" in skipped[0].reason


def test_a_newer_report_asks_for_an_update(tmp_path: Path) -> None:
    path = write(tmp_path, "a", on_day(0))
    path.write_text(path.read_text().replace('"schema":1', '"schema":99'))
    _, skipped = read_files([path])
    assert "update" in skipped[0].reason


def test_the_date_may_stand_in_the_name(tmp_path: Path) -> None:
    write(tmp_path, "toe_tap_2026-03-04", report(at=None))
    write(tmp_path, "undated", report(at=None))
    write(tmp_path, "toe_tap_2026-13-40", report(at=None))
    sessions, skipped = read_folder(tmp_path)
    assert [str(s.at) for s in sessions] == ["2026-03-04 00:00:00+00:00"]
    assert [s.name for s in skipped] == ["toe_tap_2026-13-40.json", "undated.json"]
    assert "no date" in skipped[0].reason


def test_sessions_come_out_in_order_of_time(tmp_path: Path) -> None:
    paths = [write(tmp_path, name, on_day(day)) for name, day in (("a", 14), ("b", 0), ("c", 7))]
    assert [s.name for s in read_files(paths)[0]] == ["b", "c", "a"]


def test_duplicates_count_once(tmp_path: Path) -> None:
    told = on_day(0)
    write(tmp_path, "a", told)
    write(tmp_path, "copy", told)
    write(tmp_path, "measured_again", on_day(0, ranges={"left": [44.0, 45, 46]}))
    sessions, skipped = read_folder(tmp_path)
    assert [s.name for s in sessions] == ["a"]
    assert {s.name: s.reason for s in skipped} == dict.fromkeys(
        ("copy", "measured_again"), "It is the same session as a."
    )


def test_two_clips_of_one_day_are_two_sessions(tmp_path: Path) -> None:
    write(tmp_path, "left_2026-03-04", report(at=None, ranges={"left": [40.0, 41]}))
    write(tmp_path, "right_2026-03-04", report(at=None, ranges={"right": [40.0, 41]}))
    assert len(read_folder(tmp_path)[0]) == 2


def test_clients_are_never_mixed(tmp_path: Path) -> None:
    write(tmp_path, "a", on_day(0, client="C-01"))
    write(tmp_path, "b", on_day(7, client="C-02"))
    with pytest.raises(ReportError, match=r"C-01, C-02.*--client"):
        read_folder(tmp_path)
    assert [s.name for s in read_folder(tmp_path, client="C-02")[0]] == ["b"]
    with pytest.raises(ReportError, match="no usable report of C-03"):
        read_folder(tmp_path, client="C-03")


def test_no_folder_and_an_empty_folder(tmp_path: Path) -> None:
    with pytest.raises(ReportError, match="no folder"):
        read_folder(tmp_path / "missing")
    with pytest.raises(ReportError, match="no usable report"):
        read_folder(tmp_path)
