"""`matline compare`, `progress`, `agree` and `export` at the terminal."""

import json
from datetime import timedelta
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from fake_sessions import START, report
from fhir.resources.R4B.bundle import Bundle
from pypdf import PdfReader
from terminal import Matline

from analysis.progress import Progress
from analysis.report import write_json


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Four weekly sessions with the left range growing, and a corrupt file."""
    place = tmp_path / "reports"
    place.mkdir()
    for week, left in enumerate((30.0, 36, 44, 50)):
        save(
            place / f"week_{week}.json",
            7 * week,
            ranges={"left": [left, left + 1, left - 1], "right": [40.0] * 3},
        )
    (place / "broken.json").write_text("{")
    return place


def save(path: Path, day: float, **fields: Any) -> Path:
    write_json(report(at=START + timedelta(days=day), **fields), path)
    return path


def test_progress_tells_changes_and_names_what_it_left_out(matline: Matline, folder: Path) -> None:
    ended = matline("progress", folder)
    assert ended.code == 0
    assert "Toe tap, 4 sessions" in ended.told
    assert "≠ Range, left: 33.0°, then 47.0°: larger." in ended.told
    assert "≈ Range, right: 40.0°, then 40.0°." in ended.told
    assert "Left out: broken.json." in ended.told
    assert "Stop at once if pain" in ended.told


def test_progress_writes_page_pdf_and_data(matline: Matline, folder: Path, tmp_path: Path) -> None:
    files = {name: tmp_path / f"told.{name}" for name in ("html", "pdf", "csv", "json")}
    ended = matline("progress", folder, *(x for name, path in files.items() for x in (f"--{name}", path)))
    assert ended.code == 0
    assert "Range, left" in files["html"].read_text("utf-8")
    assert "Client C-01" in PdfReader(files["pdf"]).pages[0].extract_text()
    told = Progress.model_validate_json(files["json"].read_text()).exercises[0]
    assert told.sessions == 4
    table = pd.read_csv(files["csv"]).query("side == 'left'")
    ranges = next(s for s in told.series if (s.side, s.measure) == ("left", "range_deg"))
    assert table["date"].tolist() == [p.at.date().isoformat() for p in ranges.points if p.at]
    assert table["range [deg]"].tolist() == pytest.approx([p.value for p in ranges.points], abs=1e-3)
    halves = [p.half_width for p in ranges.points]
    assert table["range 95 % half-width [deg]"].tolist() == pytest.approx(halves, abs=1e-3)
    assert table["sound [%]"].tolist() == [100.0] * 4


def test_progress_does_not_write_among_the_reports(matline: Matline, folder: Path) -> None:
    ended = matline("progress", folder, "--json", folder / "told.json")
    assert ended.code == 5
    assert "among the reports" in ended.told


def test_an_open_warning_sign_withholds_advice_until_cleared(matline: Matline, folder: Path) -> None:
    save(folder / "week_4.json", 28, signs=("saddle_numbness",))
    told = matline("progress", folder).told
    assert "Warning sign." in told
    assert "For a clinician:" in told
    assert "Consider" not in told
    cleared = matline("progress", folder, "--cleared", "2026-02-02").told
    assert "Warning sign." not in cleared


def test_compare_in_order_of_dates(matline: Matline, folder: Path) -> None:
    ended = matline("compare", folder / "week_3.json", folder / "week_0.json")
    assert ended.code == 0
    assert "Range, left: 30.0°, then 50.0°: larger." in ended.told
    assert "From 5 January 2026 to 26 January 2026." in ended.told


def test_compare_leaves_out_a_damaged_report_and_keeps_the_others(matline: Matline, folder: Path) -> None:
    ended = matline("compare", folder / "week_0.json", folder / "broken.json", folder / "week_3.json")
    assert ended.code == 0
    assert "Left out: broken.json. It is not a report" in ended.out
    assert "Range, left: 30.0°, then 50.0°: larger." in ended.out


def test_compare_tells_that_a_side_is_missing(matline: Matline, folder: Path) -> None:
    save(folder / "left.json", 40, ranges={"left": [50.0] * 3})
    ended = matline("compare", folder / "week_0.json", folder / "left.json")
    assert "The last session shows nothing of the right side" in ended.out


@pytest.mark.parametrize(
    ("arguments", "code", "why"),
    [
        (("compare", "week_0.json"), 5, "two different sessions"),
        (("compare", "week_0.json", "broken.json"), 5, "broken.json is not a report"),
        (("compare", "week_0.json", "missing.json"), 5, "cannot be read"),
        (("compare",), 2, "REPORT"),
        (("progress", "missing"), 5, "no folder"),
        (("progress", ".", "--client", "C-99"), 5, "no usable report of C-99"),
        (("progress", ".", "--pdf", "missing/a.pdf"), 5, "no folder"),
        (("agree", "missing.csv", "week_0.json"), 5, "cannot be read"),
        (("export", "week_0.json"), 2, "Say what to write"),
        (("export", "week_0.json", "--csv", "week_0.json"), 5, "would be lost"),
    ],
)
def test_bad_input_has_a_clear_word(
    matline: Matline,
    folder: Path,
    monkeypatch: pytest.MonkeyPatch,
    arguments: tuple[str, ...],
    code: int,
    why: str,
) -> None:
    monkeypatch.chdir(folder)
    ended = matline(*arguments)
    assert ended.code == code
    assert why in ended.err


def test_agree_prints_kappa_and_icc(matline: Matline, tmp_path: Path) -> None:
    verdicts = ["sound", "flagged", "sound", "borderline", "flagged", "sound"]
    save(tmp_path / "a.json", 0, ranges={"left": [30.0, 35, 40, 45, 50, 55]}, verdicts=verdicts)
    rows = [f"a,{i},anna,{verdict},{25 + 5 * i}" for i, verdict in enumerate(verdicts, start=1)]
    ratings = tmp_path / "ratings.csv"
    ratings.write_text("report,repetition,rater,verdict,range_deg\n" + "\n".join(rows))
    ended = matline("agree", ratings, tmp_path / "a.json", "--json", tmp_path / "told.json")
    assert ended.code == 0
    assert "anna and matline 6 100 % 1.00 (never apart: no interval)" in ended.told
    assert "ICC(2,1), the same values: 1.00" in ended.told
    assert "Luomajoki 2007" in ended.told
    assert json.loads((tmp_path / "told.json").read_text())["clips"] == 1


def test_agree_tells_a_rater_who_never_varies_from_one_who_agrees(matline: Matline, tmp_path: Path) -> None:
    save(tmp_path / "a.json", 0, ranges={"left": [30.0] * 4}, verdicts=["sound", "flagged"] * 2)
    ratings = tmp_path / "ratings.csv"
    rows = [f"a,{i},anna,sound" for i in range(1, 5)]
    ratings.write_text("\n".join(["report,repetition,rater,verdict", *rows]))
    told = matline("agree", ratings, tmp_path / "a.json").told
    assert "anna and matline 4 50 % 0.00 (one gave a single verdict: no interval)" in told


def test_export_writes_every_format(matline: Matline, folder: Path, tmp_path: Path) -> None:
    told = folder / "week_0.json"
    files = {name: tmp_path / f"out.{name}" for name in ("csv", "c3d", "fhir")}
    ended = matline("export", told, *(x for name, path in files.items() for x in (f"--{name}", path)))
    assert ended.code == 0
    assert all(path.stat().st_size for path in files.values())
    assert "out_repetitions.csv" in ended.told
    read = Bundle.model_validate_json(files["fhir"].read_text())
    assert read.entry[-1].resource.status == "preliminary"
    matline("export", told, "--fhir", files["fhir"], "--accepted-by", "physio P-7")
    assert Bundle.model_validate_json(files["fhir"].read_text()).entry[-1].resource.status == "final"


def test_a_health_record_needs_a_pseudonym(matline: Matline, tmp_path: Path) -> None:
    save(tmp_path / "a.json", 0, client=None)
    ended = matline("export", tmp_path / "a.json", "--fhir", tmp_path / "f.json")
    assert ended.code == 5
    assert "--client" in ended.told


@pytest.mark.parametrize("command", ["compare", "progress", "agree", "export"])
def test_help_of_each_command(matline: Matline, command: str) -> None:
    ended = matline(command, "--help")
    assert ended.code == 0
    assert f"matline {command} [OPTIONS]" in ended.told
