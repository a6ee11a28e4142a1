"""The physio's range-of-motion page in a real browser, and what can be taken along from it."""

import csv
import json
import re
from pathlib import Path

import pypdf
import pytest
from browsing import EVERY_DAY, Visit, Visitor, joined, measured, owner, programme, session_of
from playwright.sync_api import Locator, expect

from analysis.statistics import change_limit

HALF_WIDTH = 4.0  # deg, of the knees in `pictured`


@pytest.fixture
def physio(visit: Visit, long_clip: Path) -> Visitor:
    """At the table of the second clip, in which both knees went twice as far as in the first."""
    coach = owner(visit)
    physio = joined(visit, coach, "Pia", "physio")
    client = joined(visit, coach, "Cleo")
    client.go("/privacy")
    client.press("Let Pia see them")
    client.sees("Pia, physio: ✓ may see")
    item, session = programme(coach, client, range_deg=30), session_of(client)
    measured(client, long_clip, item, session)
    further = {"exercise": "toe_tap", "range_deg": 60, "days": EVERY_DAY}
    coach.api("PUT", f"/programme/{item}", further)
    clip = measured(client, long_clip, item, session)
    physio.go("/clients")
    physio.page.get_by_role("link", name="Cleo").click()
    physio.page.locator(f"a[href='/clips/{clip}']").click()
    physio.page.get_by_role("link", name="Range of motion").click()
    expect(physio.page.get_by_role("heading", name="Range of motion: Cleo")).to_be_visible()
    return physio


def row(physio: Visitor, name: str) -> Locator:
    return physio.page.get_by_role("row", name=re.compile(name))


def test_table_and_files(physio: Visitor, tmp_path: Path) -> None:
    limit = change_limit(HALF_WIDTH, HALF_WIDTH)
    assert limit < 30 < 60, "else the change would not be real"
    cells = row(physio, "Knee flexion, left, lowest").get_by_role("cell").all_inner_texts()
    this, other, before, reference = cells
    assert this == "30.0° ± 4.0°"
    # Left 90 - 60; right 90 - 1.5 * 60; before 90 - 30.
    assert re.sub(r"\s+", " ", other) == f"0.0° ± 4.0° ◆ difference +30.0°, beyond {limit:.1f}°"
    assert re.sub(r"\s+", " ", before) == f"60.0° ± 4.0° ◆ change −30.0°, beyond {limit:.1f}°"
    assert reference == "none confirmed"
    highest = row(physio, "Knee flexion, left, highest")
    expect(highest).to_contain_text(f"change 0.0°, within {limit:.1f}°")
    expect(highest).to_contain_text("127.6° ± 8.3° (1 SD), older women living at home, measured by hand")
    expect(highest.locator("cite")).to_contain_text("PMC5144495")
    physio.sees("A reference is context, never pass or fail")
    physio.sees("does not diagnose")

    pdf = taken(physio, "Print as PDF", tmp_path)
    text = " ".join(page.extract_text() for page in pypdf.PdfReader(pdf).pages)
    assert "Range of motion: Cleo" in text
    assert re.search(r"60.0° ± 4.0°\n◆ change −30.0°,\s*\nbeyond", text), "each thing on a line of its own"
    assert text.index("Knee flexion, left") < text.index("Before you move"), "the table comes first"
    assert "Source: article PMC5144495" in " ".join(text.split()), "the style sheet does not reach the paper"
    with taken(physio, "CSV", tmp_path).open(newline="") as file:
        rows = {(r["signal"], r["end"], r["session"]): r for r in csv.DictReader(file)}
    left = rows["knee_flexion_left", "lowest", "this"]
    assert float(left["value_deg"]) == 30
    assert float(left["half_width_deg"]) == HALF_WIDTH
    before_that = rows["knee_flexion_left", "lowest", "earlier"]
    assert (float(before_that["change_since_deg"]), before_that["changed"]) == (-30, "True")
    data = json.loads(taken(physio, "JSON", tmp_path).read_text())
    assert {(r["signal"], r["end"], r["session"]) for r in data} == set(rows)


def taken(physio: Visitor, name: str, folder: Path) -> Path:
    with physio.page.expect_download() as download:
        physio.page.get_by_role("link", name=name).click()
    path = folder / download.value.suggested_filename
    assert re.fullmatch(r"range-toe_tap-\d{4}-\d\d-\d\d\.(pdf|csv|json)", path.name), path.name
    download.value.save_as(path)
    return path
