"""Curves are well-formed SVG that tells its content in words, breaks at gaps and keeps its peaks."""

from xml.etree import ElementTree

import numpy as np
import pytest
from fake_report import report

from analysis import plots

SVG = "{http://www.w3.org/2000/svg}"


def drawing(title: str, **changes: object) -> ElementTree.Element:
    given = report(**changes)
    panel = next(p for p in plots.panels(given) if p.title == title)
    return ElementTree.fromstring(plots.curve(given, panel))


def test_both_sides_of_a_joint_share_a_panel_and_missing_signals_have_none() -> None:
    assert [p.title for p in plots.panels(report())] == ["Pelvic tilt", "Hip flexion", "Knee flexion"]


def test_a_side_alone_still_has_its_panel() -> None:
    left = {k: v for k, v in report().series.items() if k in {"time_s", "knee_flexion_left"}}
    (panel,) = plots.panels(report(series=left))
    assert panel.signals == ("knee_flexion_left",)


def test_the_title_tells_range_and_uncertainty() -> None:
    title = drawing("Pelvic tilt").find(f"{SVG}title")
    assert title is not None
    assert title.text == (
        "Pelvic tilt from 0 to 8 degrees, give or take 1.4. 6 repetitions shaded; the table lists them."
    )


def test_a_line_breaks_where_the_signal_is_missing() -> None:
    lines = [p.get("class") for p in drawing("Knee flexion").iter(f"{SVG}path")]
    assert lines.count("line left") == 1
    assert lines.count("line right") == 2  # hidden from 27 to 31 s
    assert lines.count("band right") == 2


def test_right_is_dashed_so_that_colour_is_not_the_only_sign() -> None:
    for path in drawing("Hip flexion").iter(f"{SVG}path"):
        if path.get("class") in {"line left", "line right"}:
            assert (path.get("stroke-dasharray") is not None) == (path.get("class") == "line right")


def test_findings_are_marked_once_each_in_the_panel_they_belong_to() -> None:
    def marked(title: str) -> list[str | None]:
        return [t.text for t in drawing(title).iter(f"{SVG}text") if t.get("class") == "ink"]

    assert marked("Pelvic tilt") == ["F1", "F2"]
    assert marked("Hip flexion") == ["F3", "F4"]
    assert marked("Knee flexion") == []  # the largest motion is the hip's


def test_a_mark_stands_on_the_curve_of_the_side_that_worked() -> None:
    time_s = tuple(0.5 * i for i in range(66))
    level = {"hip_flexion_left": (0.0, 100.0) * 33, "hip_flexion_right": (30.0,) * 66}
    rep = report().repetitions[3]  # a right one, with a finding at 20.9 s
    root = drawing("Hip flexion", series={"time_s": time_s, **level}, uncertainty_deg={}, repetitions=(rep,))
    (mark,) = (s for s in root.findall(f"{SVG}svg") if s.find(f"{SVG}text") is not None)
    right = next(p for p in root.iter(f"{SVG}path") if p.get("class") == "line right")
    drawn = float((right.get("d") or "").partition("L")[0].partition(",")[2])
    assert float(mark.get("y") or 0) == pytest.approx(plots.LABEL_PX + drawn, abs=0.2)


def test_shapes_differ_by_verdict() -> None:
    assert len(set(plots.SHAPES.values())) == len(plots.SHAPES) == 4


def test_every_repetition_is_shaded_where_it_happens() -> None:
    shades = [r for r in drawing("Pelvic tilt").iter(f"{SVG}rect") if r.get("class") == "shade"]
    end = report().series["time_s"][-1]
    assert end is not None
    assert [s.get("x") for s in shades] == [f"{rep.start_s / end:.2%}" for rep in report().repetitions]


def test_a_crowded_set_keeps_its_shades_and_thins_its_labels() -> None:
    reps = [
        rep.model_copy(update={"start_s": i * 0.3, "end_s": i * 0.3 + 0.2, "index": i + 1})
        for i, rep in enumerate(report().repetitions * 16)
    ]
    root = drawing("Pelvic tilt", repetitions=tuple(reps))
    labels = [t for t in root.iter(f"{SVG}text") if t.get("y") == f"{plots.LABEL_PX - 5:.1f}"]
    assert len(list(root.iter(f"{SVG}rect"))) == len(reps)
    assert 20 <= len(labels) <= 1 / plots.ROOM_FOR_LABEL + 1


def test_a_long_curve_is_thinned_but_keeps_its_peaks() -> None:
    time = np.arange(0, 600, 0.08)
    value = np.sin(time)
    value[4321] = 40.0
    series = {"time_s": tuple(time.tolist()), "pelvic_tilt": tuple(value.tolist())}
    (panel,) = plots.panels(report(series=series))
    svg = plots.curve(report(series=series), panel)
    line = next(p for p in ElementTree.fromstring(svg).iter(f"{SVG}path") if p.get("class") == "line pelvis")
    points = [tuple(map(float, p.split(","))) for p in (line.get("d") or "").lstrip("M").split("L")]
    assert len(points) <= plots.MOST_POINTS + 2
    assert min(points, key=lambda p: p[1])[0] == pytest.approx(4321 * 0.08 / time[-1] * plots.WIDTH, abs=0.06)


def test_a_still_signal_is_not_blown_up() -> None:
    still = {"time_s": (0.0, 1.0, 2.0), "pelvic_tilt": (0.0, 0.1, 0.0)}
    root = drawing("Pelvic tilt", series=still, uncertainty_deg={"pelvic_tilt": 0.5})
    ticks = [t.text for t in root.iter(f"{SVG}text") if (t.text or "").endswith("°")]
    assert {"\N{MINUS SIGN}5°", "0°", "5°"} >= set(ticks)
    assert len(ticks) >= 2
