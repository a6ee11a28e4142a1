"""Every exercise file: what it names exists, what it claims has a source, and its driver points outwards."""

import re
import tomllib
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from simulated import Performance, perform

from analysis import exercises
from analysis.conventions import SIDES, SIGNALS
from analysis.errors import DataFileError, UnknownExerciseError
from analysis.exercises import Exercise
from analysis.exercises.registry import load_file
from analysis.records import Floats

CLIPS = Path(__file__).parents[1] / "sample_clips"
MANIFEST: list[dict[str, Any]] = tomllib.loads((CLIPS / "manifest.toml").read_text())["clip"]
FOLDER = Path(exercises.__file__).parent

every = pytest.mark.parametrize("name", exercises.names())
done = cache(perform)


def test_the_twelve_exercises_are_there() -> None:
    assert set(exercises.names()) == {
        "pelvic_tilt", "bent_knee_fallout", "toe_tap", "leg_extension", "curl_up", "clam", "leg_circle",
        "knee_rolls", "figure_four_stretch", "knees_to_chest", "bridge", "bird_dog",
    }  # fmt: skip


@every
def test_every_limit_and_target_has_a_source(name: str) -> None:
    """A publication with its year, or the plain admission that there is none."""
    one = exercises.load(name)
    told = [*one.limits.values(), one.range, one.tempo, *([one.hold] if one.hold else [])]
    for part in told:
        assert part.source == "common practice, no source" or re.search(r"\b(19|20)\d\d\b", part.source)


@every
def test_every_signal_exists(name: str) -> None:
    one = exercises.load(name)
    named = [*one.movement.driver, *one.movement.across, *one.movement.path, *one.range.signals]
    named += [one.kept.signal] if one.kept else []
    assert {n.format(side=side) for n in named for side in SIDES} <= set(SIGNALS)


@every
def test_easier_and_harder_forms_exist(name: str) -> None:
    one = exercises.load(name)
    assert one.easier
    assert one.harder
    for form in (*one.easier, *one.harder):
        assert form.text.strip()
        assert form.exercise is None or (form.exercise in exercises.names() and form.exercise != name)


@every
def test_a_client_is_told_where_the_phone_stands_and_how_to_lie(name: str) -> None:
    one = exercises.load(name)
    assert "unknown" not in one.views
    for text in (one.phone, one.start_position, one.moves, one.still, *one.cues, *one.measured):
        assert text[0].isupper()
    assert "metres" in one.phone or "above" in one.phone.lower()
    assert "still" in one.start_position.lower()


@every
def test_the_sample_clips_are_filmed_from_a_recommended_view(name: str) -> None:
    views = {clip["view"] for clip in MANIFEST if clip["exercise"] == name}
    assert views
    assert views <= set(exercises.load(name).views)


def driver(one: Exercise, done: Performance, side: str) -> Floats:
    """The exact sum of the driver's signals (T,) [deg]."""
    return np.sum([w * done.angles[n.format(side=side)] for n, w in one.movement.driver.items()], axis=0)


@every
def test_the_driver_is_larger_where_the_movement_is_out(name: str) -> None:
    """With exact angles of sound repetitions; a flipped sign of a weight makes it smaller."""
    one, performed = exercises.load(name), done(name, 0)
    for rep in performed.reps:
        if rep.faults or one.movement.shape in ("circle", "cycle"):
            continue
        out = driver(one, performed, "left" if rep.side == "both" else rep.side)
        at = np.interp([rep.start, rep.start + rep.out_s + rep.hold_s / 2], performed.time_s, out)
        away = at[1] - at[0]
        if one.movement.shape == "roll" and rep.side == "right":
            away = -away
        assert away >= one.movement.least_deg


def test_a_circle_goes_up_and_across() -> None:
    one, performed = exercises.load("leg_circle"), done("leg_circle", 0)
    for rep in performed.reps:
        inside = (performed.time_s >= rep.start) & (performed.time_s <= rep.end)
        for weights in (one.movement.driver, one.movement.across):
            curve = sum(w * performed.angles[n.format(side=rep.side)] for n, w in weights.items())
            assert np.ptp(curve[inside]) >= one.movement.least_deg


def test_a_tilt_tucks_before_it_arches() -> None:
    one, performed = exercises.load("pelvic_tilt"), done("pelvic_tilt", 0)
    out = driver(one, performed, "both")
    for rep in performed.reps:
        inside = np.flatnonzero((performed.time_s >= rep.start) & (performed.time_s <= rep.end))
        assert np.argmax(out[inside]) < np.argmin(out[inside])
        assert np.ptp(out[inside]) >= one.movement.least_deg


# -------------------------------------------------------------------------------- wrong files

BRIDGE = (FOLDER / "bridge.toml").read_text()
WRONG = {
    "unknown signal": ("{ hip_flexion_left", "{ hip_flection_left", "unknown signals"),
    "unknown finding": ("pelvis_hiked =", "pelvis_bent =", "unknown finding"),
    "wrong unit": ('value = 1.0, unit = "s"', 'value = 1.0, unit = "cm"', "is in s, not cm"),
    "no source": ('[tempo]\nusual_phase_s = 2.0\nsource = "common practice, no source"',
                  "[tempo]\nusual_phase_s = 2.0", "tempo.source"),
    "negative limit": ("pelvis_hiked = { value = 5.0", "pelvis_hiked = { value = -5.0", "greater than 0"),
    "unknown view": ('views = ["side"]', 'views = ["behind"]', "views"),
    "unknown entry": ('lies = "supine"', 'lies = "supine"\nmood = "good"', "mood"),
    "other name": ('name = "bridge"', 'name = "ridge"', "make the two the same"),
    "no TOML": ("[tempo]", "[tempo", "cannot be read as TOML"),
    "a hold that is none": ("[limits]", '[hold]\nusual_s = 5.0\nsource = "x"\n\n[limits]', "shape `hold`"),
    "across of no circle": ("[range]", 'across = { "trunk_curl" = 1.0 }\n\n[range]', "belongs to a circle"),
    "shape without target": ("[limits]", '[limits]\nshape_lost = { value = 9.0, source = "x" }', "[kept]"),
}  # fmt: skip


@pytest.mark.parametrize(("old", "new", "why"), WRONG.values(), ids=WRONG)
def test_a_wrong_file_is_named_with_what_is_wrong(old: str, new: str, why: str, tmp_path: Path) -> None:
    assert old in BRIDGE
    path = tmp_path / "bridge.toml"
    path.write_text(BRIDGE.replace(old, new, 1))
    with pytest.raises(DataFileError, match=re.escape(why)) as raised:
        load_file(path)
    assert str(raised.value).startswith("bridge.toml")


def test_the_file_itself_is_right(tmp_path: Path) -> None:
    """So that the test above fails for its change alone."""
    path = tmp_path / "bridge.toml"
    path.write_text(BRIDGE)
    assert load_file(path) == exercises.load("bridge")


def test_an_unknown_name_gets_the_nearest() -> None:
    with pytest.raises(UnknownExerciseError, match="Did you mean 'knee_rolls'"):
        exercises.load("Knee roll")
