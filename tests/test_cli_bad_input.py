"""For every kind of bad input: a clear word that says what to do, its exit code, no traceback."""

import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from bad_clips import BAD
from terminal import Matline

from analysis import pipeline


@pytest.mark.parametrize(("make", "why"), BAD.values(), ids=BAD)
def test_a_clip_that_cannot_be_read_ends_with_3(
    make: Callable[[Path], Path], why: str, matline: Matline, tmp_path: Path
) -> None:
    clip = make(tmp_path)
    told = matline("check", clip, "--exercise", "toe_tap", "--json", tmp_path / "r.json")
    assert told.code == 3
    assert told.err.startswith("Error:")
    assert why in told.err
    assert clip.name in told.err
    assert not (tmp_path / "r.json").exists()


def test_a_clip_that_may_not_be_read_ends_with_3(
    matline: Matline, noise: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("analysis.video.probing.os.access", lambda *_: False)  # root may read everything
    told = matline("check", noise, "--exercise", "toe_tap")
    assert (told.code, "Ask for permission" in told.err) == (3, True)


@pytest.mark.parametrize(
    ("typed", "meant"),
    [("toe_taps", "toe_tap"), ("brigde", "bridge"), ("Curl-Up", "curl_up"), ("clams", "clam")],
)
def test_an_unknown_exercise_suggests_the_nearest(
    typed: str, meant: str, matline: Matline, noise: Path
) -> None:
    for told in (matline("check", noise, "--exercise", typed), matline("exercises", typed)):
        assert told.code == 2
        assert f"Did you mean '{meant}'?" in told.err


@pytest.mark.parametrize(
    ("arguments", "why"),
    [
        ((), "Missing argument"),
        (("CLIP",), "--exercise"),
        (("CLIP", "--exercise", "toe_tap", "--side", "up"), "Say left or right"),
        (("CLIP", "--exercise", "toe_tap", "--pain-before", "11"), "less than or equal to 10"),
        (("CLIP", "--exercise", "toe_tap", "--date", "4.3.2026"), "Write it as 2026-03-04"),
        (("CLIP", "--exercise", "toe_tap", "--colour"), "No such option"),
    ],
)
def test_a_wrong_command_ends_with_2(
    arguments: tuple[str, ...], why: str, matline: Matline, noise: Path
) -> None:
    told = matline("check", *(str(noise) if a == "CLIP" else a for a in arguments))
    assert told.code == 2
    assert why in told.err


@pytest.fixture
def never_measured(monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(*_: object, **__: object) -> None:
        raise AssertionError("measured before the outputs were looked at")

    monkeypatch.setattr(pipeline, "measure", fail)


@pytest.mark.usefixtures("never_measured")
@pytest.mark.parametrize("kind", ["json", "html", "pdf", "csv", "video", "c3d"])
def test_an_output_that_cannot_be_written_is_told_before_the_work(
    kind: str, matline: Matline, noise: Path, tmp_path: Path
) -> None:
    for place, why in ((tmp_path / "none" / "r.x", "There is no folder"), (tmp_path, "is a folder")):
        told = matline("check", noise, "--exercise", "toe_tap", f"--{kind}", place)
        assert told.code == 5
        assert why in told.err


@pytest.mark.usefixtures("never_measured")
def test_a_result_never_takes_the_place_of_the_clip_or_of_another(
    matline: Matline, noise: Path, tmp_path: Path
) -> None:
    before = noise.read_bytes()
    told = matline("check", noise, "--exercise", "toe_tap", "--video", noise)
    assert (told.code, noise.read_bytes()) == (5, before)
    twice = ("--json", tmp_path / "r", "--html", tmp_path / "r")
    assert "Two results" in matline("check", noise, "--exercise", "toe_tap", *twice).err


@pytest.mark.usefixtures("never_measured")
def test_a_health_record_needs_a_pseudonym(matline: Matline, noise: Path, tmp_path: Path) -> None:
    told = matline("check", noise, "--exercise", "toe_tap", "--fhir", tmp_path / "r.json")
    assert (told.code, "--client" in told.err) == (5, True)


@pytest.mark.usefixtures("never_measured")
def test_a_folder_that_takes_no_files_is_told_before_the_work(matline: Matline, noise: Path) -> None:
    told = matline("check", noise, "--exercise", "toe_tap", "--json", "/proc/r.json")  # not even root may
    assert (told.code, "Nothing can be written" in told.err) == (5, True)


def test_the_demo_without_its_clips_says_where_to_run_it(
    matline: Matline, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr("analysis.cli.demo.FOLDERS", (tmp_path,))
    told = matline("demo", "--folder", tmp_path / "out")
    assert (told.code, "sample clips" in told.err) == (3, True)


@pytest.mark.usefixtures("never_measured")
def test_names_that_no_folder_can_hold_are_told(matline: Matline, noise: Path, tmp_path: Path) -> None:
    """As in a folder that may not be entered, the system refuses even to say whether the file is there."""
    too_long = tmp_path / ("x" * 300)
    told = matline("check", too_long, "--exercise", "toe_tap")
    assert (told.code, "cannot be reached" in told.err) == (3, True)
    told = matline("check", noise, "--exercise", "toe_tap", "--json", too_long)
    assert (told.code, "cannot be reached" in told.err) == (5, True)


@pytest.mark.usefixtures("never_measured")
def test_a_missing_library_is_told_before_the_work(
    matline: Matline, noise: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for library, kind, why in (("ezc3d", "c3d", "matline[c3d]"), ("weasyprint", "pdf", "Pango")):
        monkeypatch.setitem(sys.modules, library, None)  # importing it fails
        told = matline("check", noise, "--exercise", "toe_tap", f"--{kind}", tmp_path / "r")
        assert (told.code, why in told.err) == (5, True)
