"""The page and the PDF of progress: what they must hold, read by independent readers."""

from html.parser import HTMLParser
from pathlib import Path
from xml.etree import ElementTree

import pytest
from fake_sessions import session
from pypdf import PdfReader

from analysis.progress import follow, page, write_html, write_pdf
from analysis.progress.sessions import Session, series_of
from analysis.progress.trend import trend

SVG = "{http://www.w3.org/2000/svg}"
GROWING = [session(7 * i, ranges={"left": [30 + 5 * i, 31 + 5 * i], "right": [40.0, 41]}) for i in range(4)]


class Tags(HTMLParser):
    """The names of all opened tags and the values of all href and src."""

    def __init__(self) -> None:
        super().__init__()
        self.names: list[str] = []
        self.places: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.names.append(tag)
        self.places += [value or "" for name, value in attrs if name in ("href", "src")]


def test_the_page_loads_nothing_from_elsewhere() -> None:
    tags = Tags()
    tags.feed(page(follow(GROWING)))
    assert not [place for place in tags.places if not place.startswith("#")]
    assert "script" not in tags.names
    assert tags.names.count("h1") == 1


def test_cautions_come_before_any_number() -> None:
    told = page(follow(GROWING))
    assert 0 < told.index("Before you use this page") < told.index("Toe tap, 4 sessions")


def test_an_unknown_exercise_and_hostile_names_are_only_text() -> None:
    odd = [session(d, exercise="<script>alert(1)</script>") for d in (0, 7)]
    assert "<script>" not in page(follow(odd), "<b>C-01</b>")
    assert "&lt;b&gt;C-01" in page(follow(odd), "<b>C-01</b>")


def test_every_session_stands_in_the_table_with_its_uncertainty() -> None:
    told = page(follow(GROWING))
    for day in ("5 January 2026", "12 January 2026", "19 January 2026", "26 January 2026"):
        assert day in told
    assert "30.5° ± " in told


def test_a_missing_side_is_a_dash() -> None:
    some = [*GROWING[:3], session(21, ranges={"left": [45.0, 46]})]
    assert ">–</td>" in page(follow(some))


def test_a_page_with_what_cannot_be_told(tmp_path: Path) -> None:
    one_each = [session(d, ranges={"left": [40.0], "right": [40.0]}) for d in (0, 7)]
    told = page(follow(one_each))
    assert "neither can a change" in told
    write_html(follow(one_each), tmp_path / "a.html")
    assert (tmp_path / "a.html").read_text("utf-8") == told


def test_the_pdf_is_tagged_and_holds_the_changes(tmp_path: Path) -> None:
    write_pdf(follow(GROWING), tmp_path / "a.pdf", "C-01")
    read = PdfReader(tmp_path / "a.pdf")
    text = " ".join(" ".join(p.extract_text().split()) for p in read.pages)
    assert read.trailer["/Root"]["/MarkInfo"]["/Marked"]
    assert "Client C-01" in text
    assert "Range, left: 33.0°, then 43.0°: larger." in text
    assert "does not diagnose" in text


# ------------------------------------------------------------------------------------ drawings


def drawn(*sessions: Session, measure: str = "range_deg") -> ElementTree.Element:
    return ElementTree.fromstring(trend([s for s in series_of(sessions) if s.measure == measure]))


def numbers(path: str) -> list[tuple[float, float]]:
    corners = path.strip("MZ").split("L")
    return [(float(x), float(y)) for x, y in (c.split(",") for c in corners)]


@pytest.mark.filterwarnings("error")
def test_points_lie_by_day_and_value() -> None:
    told = drawn(session(0, ranges={"left": [30.0, 30]}), session(7, ranges={"left": [40.0, 40]}),
                 session(28, ranges={"left": [50.0, 50]}))  # fmt: skip
    line = next(e for e in told.iter(f"{SVG}path") if e.get("class") == "line left")
    (x0, y0), (x1, y1), (x2, y2) = numbers(line.get("d"))
    assert (x1 - x0) / (x2 - x0) == pytest.approx(0.25, abs=1e-3)
    assert y0 > y1 > y2
    assert y0 - y1 == pytest.approx(y1 - y2, abs=0.2)


def test_the_band_spans_the_half_width() -> None:
    told = drawn(session(0, ranges={"left": [30.0, 30]}), session(7, ranges={"left": [42.0, 42]}))
    band = next(e for e in told.iter(f"{SVG}path") if e.get("class") == "band left")
    ys = [y for _, y in numbers(band.get("d"))]
    # 12 deg between the points and 3 deg of half-width at each: a share of 6 / 18 of the height each.
    assert (max(ys) - ys[0]) / (max(ys) - min(ys)) == pytest.approx(6 / 18, abs=0.01)


def test_sides_differ_by_dash_and_mark_and_the_title_tells_them() -> None:
    told = drawn(session(0), session(7))
    lines = {
        e.get("class"): e.get("stroke-dasharray")
        for e in told.iter(f"{SVG}path")
        if "line" in (e.get("class") or "")
    }
    assert lines["line left"] is None
    assert lines["line right"]
    assert "Range, left: 40.0° to 40.0° over 2 sessions" in told.findtext(f"{SVG}title")


def test_undated_sessions_lie_in_the_order_given() -> None:
    plain = [Session(f"s{i}", session(0, ranges={"left": [30 + i, 31 + i]}).report, None) for i in range(3)]
    line = next(e for e in drawn(*plain).iter(f"{SVG}path") if e.get("class") == "line left")
    xs = [x for x, _ in numbers(line.get("d"))]
    assert xs[1] - xs[0] == pytest.approx(xs[2] - xs[1])


def test_values_at_the_ends_stay_in_the_drawing_and_apart() -> None:
    """Left ends one degree under right: its value stands under its mark, right's over its own."""
    close = [session(7 * i, ranges={"left": [40.0, 41], "right": [41.0, 42]}) for i in range(2)]
    drawn = ElementTree.fromstring(trend([s for s in series_of(close) if s.measure == "range_deg"]))
    marks = [m for m in drawn.findall(f"{SVG}svg") if m.find(f"{SVG}text") is not None]
    labels = {
        (t.text, t.get("text-anchor")): float(t.get("y") or 0) for m in marks for t in m.findall(f"{SVG}text")
    }
    assert {anchor for _, anchor in labels} == {"start", "end"}
    assert [y < 0 for (text, _), y in labels.items() if text == "41.5°"] == [True, True]
    assert [y > 0 for (text, _), y in labels.items() if text == "40.5°"] == [True, True]
