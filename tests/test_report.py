"""A report holds what it was given, says null for missing, and is refused when it is not whole."""

import json
import math
import re
from html import unescape
from importlib.resources import files
from pathlib import Path

import numpy as np
import pytest
from fake_report import observations, report
from pypdf import PdfReader

from analysis import cautions, palette, plots
from analysis import report as reports
from analysis.errors import ReportError
from analysis.exercises.schema import PELVIS_FINDINGS
from analysis.findings.judge import cannot_tell
from analysis.records import (
    Capture,
    CaptureProblem,
    Clip,
    Finding,
    Measures,
    Motion,
    Observations,
    Repetition,
    Report,
    SessionNotes,
    SideComparison,
)
from analysis.report import store, words
from analysis.report.assemble import rounded

NAN = math.nan


def seen(frames: int, of: int) -> Observations:
    points = np.full((of, 33, 2), NAN)
    points[:frames] = 100.0
    return observations(np.arange(of) / 10, points)


@pytest.fixture
def built() -> Report:
    motion = Motion(
        time_s=np.array([0.0, 0.08, 0.16]),
        values={"pelvic_tilt": np.array([0.04, NAN, -3.26]), "trunk_curl": np.full(3, NAN)},
        uncertainty_deg={"pelvic_tilt": 1.449, "trunk_curl": 2.0},
        change_uncertainty_deg={"pelvic_tilt": NAN},
        pelvis_source="fabric",
    )
    rushed = Finding(
        kind="rushed", value=0.618, limit=1.0, unit="s", uncertainty=0.082, at_s=1.239,
        message="Quick.", cue="Slower.", source="common practice, no source",
    )  # fmt: skip
    repetition = Repetition(
        index=1, side="left", start_s=0.126, turn_s=1.0, end_s=2.0, verdict="flagged", findings=(rushed,),
        measures=Measures(range_deg=41.26, out_s=0.618, back_s=NAN, smoothness=-1.41403),
    )  # fmt: skip
    return reports.build(
        exercise="toe_tap",
        clip=Clip(Path("a.mp4"), (0.0, 0.04, 0.08, 0.12), 64, 48, 0, 0.16),
        observations=seen(2, of=3),
        motion=motion,
        capture=Capture(view="side", usable=True),
        repetitions=[repetition],
        sides={"range_deg": SideComparison(left=41.26, right=NAN, difference=NAN, beyond_error=False)},
        findings=[],
    )


def test_missing_is_null_and_never_zero(built: Report) -> None:
    assert built.series["pelvic_tilt"] == (0.0, None, -3.3)
    assert built.repetitions[0].measures.back_s is None
    assert built.sides["range_deg"].right is None
    assert "NaN" not in built.model_dump_json()


def test_signals_without_a_value_are_left_out(built: Report) -> None:
    assert set(built.series) == {"time_s", "pelvic_tilt"}
    assert built.uncertainty_deg == {"pelvic_tilt": 1.4}
    assert built.change_uncertainty_deg == {}


def test_numbers_are_rounded_to_what_they_can_mean(built: Report) -> None:
    assert built.series["time_s"] == (0.0, 0.08, 0.16)
    rep = built.repetitions[0]
    assert (rep.start_s, rep.measures.range_deg, rep.measures.smoothness) == (0.13, 41.3, -1.41)
    assert (rep.findings[0].value, rep.findings[0].uncertainty, rep.findings[0].at_s) == (0.62, 0.08, 1.24)


def test_frames_measured_are_those_in_which_someone_was_seen(built: Report) -> None:
    assert (built.clip.frames, built.clip.frames_measured, built.clip.duration_s) == (4, 2, 0.16)


def test_every_report_carries_the_cautions(built: Report) -> None:
    assert built.cautions == cautions.load().caution


def test_rounding_leaves_what_is_not_a_float_alone() -> None:
    assert rounded({"index": 3, "complete": True, "side": "left"}) == {
        "index": 3, "complete": True, "side": "left",
    }  # fmt: skip


# ------------------------------------------------------------------------------------ files


def test_what_is_written_is_read_back(tmp_path: Path) -> None:
    original = report()
    reports.write_json(original, tmp_path / "r.json")
    assert reports.read_json(tmp_path / "r.json") == original
    assert json.loads((tmp_path / "r.json").read_text())["schema"] == 1
    assert [p.name for p in tmp_path.iterdir()] == ["r.json"]


def test_the_published_schema_is_that_of_the_record() -> None:
    published = files("analysis").joinpath("report.schema.json").read_text("utf-8")
    assert json.loads(published) == reports.json_schema()


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("", "not JSON"),
        ('{"schema": 1, "exercise"', "damaged"),
        ("[]", "names no schema"),
        ('{"exercise": "clam"}', "names no schema"),
        ('{"schema": 2}', "newer version"),
        ('{"schema": -1}', "measure again"),
        ('{"schema": 0}', "not a whole report of schema 0"),
        ('{"schema": 1, "exercise": "clam"}', "not a whole report: clip"),
    ],
)
def test_a_file_that_is_no_report_is_refused_with_its_name(tmp_path: Path, text: str, why: str) -> None:
    path = tmp_path / "odd.json"
    path.write_text(text)
    with pytest.raises(ReportError, match=rf"odd\.json .*{why}"):
        reports.read_json(path)


def test_bytes_that_are_no_text_and_a_missing_file_are_refused(tmp_path: Path) -> None:
    (tmp_path / "b.json").write_bytes(b"\xff\xfe\x00\x9f")
    with pytest.raises(ReportError, match="not a report"):
        reports.read_json(tmp_path / "b.json")
    with pytest.raises(ReportError, match="cannot be read"):
        reports.read_json(tmp_path / "none.json")


def test_an_older_report_is_brought_up_to_date(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    old = report().model_dump(mode="json", by_alias=True) | {"schema": 0, "movement": "clam"}
    del old["exercise"]

    def upgrade(data: dict[str, object]) -> dict[str, object]:
        return {k: v for k, v in data.items() if k != "movement"} | {
            "schema": 1,
            "exercise": data["movement"],
        }

    monkeypatch.setitem(store.UPGRADES, 0, upgrade)
    (tmp_path / "old.json").write_text(json.dumps(old))
    assert reports.read_json(tmp_path / "old.json").exercise == "clam"


def test_a_failed_write_leaves_the_old_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    target = tmp_path / "r.html"
    target.write_text("old")

    def full(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "replace", full)
    with pytest.raises(ReportError, match="No space left"):
        reports.write_html(report(), target)
    assert target.read_text() == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["r.html"]


# ------------------------------------------------------------------------------------ the page


def test_the_page_holds_every_repetition_finding_and_caution_cautions_first() -> None:
    given = report()
    html = reports.page(given)
    places = [html.index(c.text) for c in given.cautions]
    assert max(places) < html.index("The set at a glance")
    for rep in given.repetitions:
        assert f'id="rep-{rep.index}"' in html
    for mark in plots.tagged(given):
        assert f'id="{mark.tag}"' in html
        assert mark.finding.message in html
    assert given.capture.problems[0].advice in html


def test_what_the_clip_cannot_tell_stands_beside_the_verdicts() -> None:
    untold = cannot_tell("pelvis", ways="rotated")
    html = reports.page(report().model_copy(update={"findings": (untold,)}))
    assert html.index("The set at a glance") < html.index(untold.message) < html.index("Each repetition")


def test_the_page_loads_nothing_from_elsewhere() -> None:
    html = reports.page(report(), thumbnails={9.2: b"\xff\xd8jpeg"})
    assert "data:image/jpeg;base64,/9hqcGVn" in html
    assert not re.findall(r'(?:src|href)="(?!#|data:)[^"]*"|url\(|@import|<script', html)


def test_text_from_a_report_cannot_become_markup() -> None:
    evil = "<script>alert(1)</script>"
    given = report(session=SessionNotes(client=evil))
    assert evil not in reports.page(given)
    assert "&lt;script&gt;" in reports.page(given)


@pytest.mark.parametrize("kind", ["both_legs", "strong_pain", "of_a_newer_version"])
def test_with_a_warning_sign_there_is_a_referral_and_no_advice(kind: str) -> None:
    problem = CaptureProblem(kind="far", message="You are far away.", advice="Film again, from nearer.")
    limited = report().capture.model_copy(update={"problems": (problem,)})
    given = report(session=SessionNotes(warning_signs=(kind,)), capture=limited)
    html, plain = reports.page(given), reports.page(report(capture=limited))
    assert cautions.load().advice_withheld.text in html
    assert cautions.referrals([kind])[0].contact in html
    assert cautions.load().advice_withheld.text not in plain
    advice = (*words.cues(given), *words.better(given), problem.advice)
    assert len(advice) > 2
    assert all(text not in unescape(html) for text in advice)
    assert all(text in unescape(plain) for text in advice)


def test_a_clip_that_cannot_answer_says_so() -> None:
    empty = report(
        capture=Capture(view="unknown", usable=False),
        series={"time_s": ()},
        repetitions=(),
        sides={},
        findings=(),
    )
    html = reports.page(empty)
    assert "This clip cannot answer" in html
    assert "No repetition was found" in html


@pytest.mark.parametrize("source", ["card", "fabric", "landmarks", "none"])
@pytest.mark.parametrize("view", ["side", "oblique", "overhead", "front", "unknown"])
def test_every_view_and_pelvis_source_has_its_words(source: str, view: str) -> None:
    given = report(pelvis_source=source, capture=Capture(view=view, usable=True))
    html = reports.page(given)
    assert next(t["cannot"] for t in words.words()["trust"] if t.get("pelvis") == source)[:40] in html
    assert words.words()["view"][view] in html


def test_a_borderline_repetition_says_which_limit_is_near() -> None:
    close = report().repetitions[2].model_copy(update={"findings": (), "near": ("rushed", "pelvis_tilted")})
    assert "cannot rule out: rushed, pelvis tilted" in reports.page(report(repetitions=(close,)))
    many = close.model_copy(update={"near": (*PELVIS_FINDINGS, "rushed", "jerky")})
    assert "cannot rule out most faults" in reports.page(report(repetitions=(many,)))


def test_filming_again_is_no_change_of_the_movement() -> None:
    unseen = cannot_tell("nothing")
    given = report(repetitions=(), findings=(unseen,))
    assert words.cues(given) == ()
    assert words.better(given)[0] == unseen.cue


@pytest.mark.parametrize(("half_deg", "asked"), [(1.0, False), (4.5, True)])
def test_the_second_card_is_asked_for_where_one_leaves_the_pelvis_unsure(
    half_deg: float, asked: bool
) -> None:
    given = report(pelvis_source="card", uncertainty_deg={"pelvic_obliquity": half_deg})
    assert any("second card" in hint for hint in words.better(given)) is asked


def test_a_card_that_is_worn_but_hidden_is_not_asked_for() -> None:
    hidden = CaptureProblem(kind="card_hidden", message="Hidden.", advice="Keep arms off it.")
    seen, unseen = (
        words.better(
            report(pelvis_source="fabric", capture=Capture(view="side", usable=True, problems=problems))
        )
        for problems in ((), (hidden,))
    )
    assert any("printed card" in hint for hint in seen)
    assert not any("printed card" in hint for hint in unseen)


def test_half_widths_are_told_by_angle_and_side() -> None:
    halves = {"hip_flexion_left": 10.3, "hip_flexion_right": 11.3, "hip_rotation_left": 7.6}
    told = next(
        t for t in words.trust(report(uncertainty_deg=halves)) if "hip_flexion" in t.get("signals", ())
    )
    shown = told["half_widths"].replace(words.NBSP, " ")
    assert shown == "hip flexion ± 10.3° left, ± 11.3° right; hip rotation ± 7.6° left"


def test_a_zero_has_no_sign() -> None:
    assert [words.amount(v) for v in (-0.04, 0.04, -0.06)] == ["0.0°", "0.0°", "\N{MINUS SIGN}0.1°"]


def test_the_tally_counts_sides_and_verdicts() -> None:
    assert words.tally(report()) == (
        "6 repetitions (3 left, 3 right): 2 sound, 1 borderline, 2 look again, 1 cannot tell."
    )


@pytest.mark.parametrize(
    ("seconds", "text"), [(7.44, "7.4 s"), (59.96, "1:00.0"), (127.4, "2:07.4"), (0, "0.0 s")]
)
def test_moments_read_as_people_read_them(seconds: float, text: str) -> None:
    assert words.moment(seconds).replace(words.NBSP, " ") == text


def test_a_span_names_its_unit_once() -> None:
    assert words.span(2.0, 6.44) == f"2.0–6.4{words.NBSP}s"
    assert words.span(58.0, 63.0) == f"58.0{words.NBSP}s–1:03.0"


def test_amounts_carry_their_unit_and_a_true_minus() -> None:
    shown = [
        words.amount(*a).replace(words.NBSP, " ")
        for a in ((-8.25,), (0.618, "s"), (0.7, "share"), (6, "cm"), (None,))
    ]
    assert shown == ["−8.2°", "0.62 s", "70 %", "6.0 cm", "–"]


def test_the_pdf_is_tagged_and_holds_the_same_words(tmp_path: Path) -> None:
    reports.write_pdf(report(), tmp_path / "r.pdf")
    pdf = PdfReader(tmp_path / "r.pdf")
    text = " ".join(" ".join(page.extract_text().split()) for page in pdf.pages)
    assert pdf.trailer["/Root"]["/MarkInfo"]["/Marked"]
    assert "Matline measures movement. It does not diagnose" in text
    assert words.tally(report()) in text


def test_on_paper_no_heading_is_left_behind(tmp_path: Path) -> None:
    """Whatever stands before it: the curves' heading is on the page of the first curve."""
    for count in range(1, 7):
        reports.write_pdf(report(repetitions=report().repetitions[:count]), tmp_path / "r.pdf")
        pages = [page.extract_text() for page in PdfReader(tmp_path / "r.pdf").pages]
        (page,) = (text for text in pages if "The movement over time" in text)
        assert "Pelvic tilt +" in page


# ------------------------------------------------------------------------------------ colours


def luminance(rgb: tuple[int, int, int]) -> float:
    """Relative luminance, WCAG 2.2."""
    linear = [c / 12.92 if (c := v / 255) <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for v in rgb]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(a: tuple[int, int, int], b: tuple[int, int, int]) -> float:
    high, low = sorted((luminance(a), luminance(b)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_contrast_formula() -> None:
    # WCAG 2.2 boundary on white: #767676 passes 4.5 : 1 with 4.542, #777777 fails with 4.478.
    assert contrast((0x76,) * 3, (255,) * 3) == pytest.approx(4.542, abs=1e-3)
    assert contrast((0x77,) * 3, (255,) * 3) == pytest.approx(4.478, abs=1e-3)


INKS = ("ink", "quiet", "mat", "left", "right", "pelvis", "sound", "borderline", "flagged", "not_measured")


@pytest.mark.parametrize("dark", [False, True])
@pytest.mark.parametrize("ink", INKS)
@pytest.mark.parametrize("ground", ["paper", "sheet"])
def test_every_ink_reads_on_every_ground(ink: str, ground: str, dark: bool) -> None:
    assert contrast(palette.rgb(ink, dark=dark), palette.rgb(ground, dark=dark)) >= 4.5


@pytest.mark.parametrize("dark", [False, True])
@pytest.mark.parametrize(
    "line", ["left", "right", "pelvis", "sound", "borderline", "flagged", "not_measured"]
)
def test_lines_and_shapes_stand_out_from_the_shade(line: str, dark: bool) -> None:
    assert contrast(palette.rgb(line, dark=dark), palette.rgb("shade", dark=dark)) >= 3.0
