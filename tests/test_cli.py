"""The command line: what it tells and writes, and that it stops cleanly."""

import json
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from fake_report import observations, report
from PIL import Image
from terminal import Matline, write_clip

from analysis import cautions, exercises, pipeline, video
from analysis import report as reports
from analysis.records import Capture, CaptureProblem, Motion, Report, SessionNotes, Skeleton

PICTURES = Path(__file__).parent / "pictures"
SAMPLE_CLIPS = Path(__file__).parents[1] / "sample_clips"


@pytest.fixture
def measured(monkeypatch: pytest.MonkeyPatch, noise: Path) -> Callable[[Report], None]:
    """Puts an invented report in place of measuring."""

    def instead(told: Report) -> None:
        time_s = np.arange(0, 32, 0.08)
        seen = observations(time_s, np.full((len(time_s), 33, 2), np.nan))
        body = Skeleton(time_s, {}, np.full((len(time_s), 17, 3), np.nan))
        motion = Motion(time_s, {}, {}, {}, "none")
        result = pipeline.Measured(told, video.probe(noise), seen, body, motion)
        monkeypatch.setattr(pipeline, "measure", lambda *_, **__: result)

    return instead


# ------------------------------------------------------------------------------------ what works


def test_help_tells_what_it_is_for_in_plain_words(matline: Matline) -> None:
    told = matline("--help")
    assert told.code == 0
    assert "does not diagnose" in told.out
    assert all(command in told.out for command in ("check", "exercises", "demo", "card"))
    assert "Exit codes" in told.out


def test_every_exercise_is_listed_and_told(matline: Matline) -> None:
    listed = matline("exercises").out
    for name in exercises.names():
        assert name in listed
        told = matline("exercises", name)
        one = exercises.load(name)
        assert told.code == 0
        assert " ".join(one.phone.split()) in told.out
        assert all(limit.source in told.out for limit in one.limits.values())


def test_check_tells_repetitions_findings_advice_and_cautions(
    matline: Matline, noise: Path, measured: Callable[[Report], None]
) -> None:
    measured(report())
    told = matline("check", noise, "--exercise", "toe_tap")
    assert told.code == 0
    assert "6 repetitions (3 left, 3 right)" in told.out
    assert "▲ look again F1" in told.out
    assert "Make the movement smaller" in told.out
    assert all(" ".join(c.text.split()) in told.out for c in cautions.load().caution)


def test_a_warning_sign_takes_the_place_of_advice(
    matline: Matline, noise: Path, measured: Callable[[Report], None], monkeypatch: pytest.MonkeyPatch
) -> None:
    measured(report())
    result = pipeline.measure(noise, exercises.load("toe_tap"))

    def noted(*_: object, session: SessionNotes, **__: object) -> pipeline.Measured:
        return replace(result, report=result.report.model_copy(update={"session": session}))

    monkeypatch.setattr(pipeline, "measure", noted)
    signs = ("--warning-sign", "leg_weakness", "--warning-sign", "strong_pain")
    told = matline("check", noise, "--exercise", "toe_tap", *signs)
    assert told.code == 0
    assert "Make the movement smaller" not in told.out
    assert "Do not exercise until" in told.out
    assert "Speak to a doctor today." in told.out
    assert "Speak to your coach, physio or GP today" in told.out
    listed = matline("check", noise, "--exercise", "toe_tap", "--warning-sign", "list")
    assert listed.code == 2
    assert "pregnancy" in listed.err


def test_every_file_asked_for_is_written(
    matline: Matline, noise: Path, measured: Callable[[Report], None], tmp_path: Path
) -> None:
    measured(report())
    kinds = {"json": "r.json", "html": "r.html", "csv": "r.csv", "fhir": "r.fhir.json"}
    asked = [part for kind, name in kinds.items() for part in (f"--{kind}", tmp_path / name)]
    told = matline("check", noise, "--exercise", "toe_tap", "--client", "heron", *asked)
    assert told.code == 0
    assert all(f"Written: {tmp_path / name}" in told.out for name in kinds.values())
    assert reports.read_json(tmp_path / "r.json") == report()
    assert "The set at a glance" in (tmp_path / "r.html").read_text()
    assert json.loads((tmp_path / "r.fhir.json").read_text())["resourceType"] == "Bundle"
    assert not list(tmp_path.glob(".*"))


def test_what_the_client_felt_goes_with_the_report(
    matline: Matline, noise: Path, measured: Callable[[Report], None], monkeypatch: pytest.MonkeyPatch
) -> None:
    measured(report())
    result, given = pipeline.measure(noise, exercises.load("toe_tap")), {}
    monkeypatch.setattr(pipeline, "measure", lambda *_, **k: given.update(k) or result)
    session = ("--client", "heron", "--date", "2026-03-01", "--pain-before", 2, "--pain-after", 3)
    assert matline("check", noise, "--exercise", "toe_tap", *session).code == 0
    told = given["session"]
    assert (told.client, told.pain_before, told.pain_after) == ("heron", 2, 3)
    assert told.recorded_at.date().isoformat() == "2026-03-01"


@pytest.mark.parametrize(("pain", "strong"), [(6, False), (7, True), (10, True)])
def test_strong_pain_is_told_whom_to_call_in_place_of_advice(
    matline: Matline, noise: Path, monkeypatch: pytest.MonkeyPatch, measured: Callable[[Report], None],
    tmp_path: Path, pain: int, strong: bool,
) -> None:  # fmt: skip
    """From the pain on that stops a session on the pages, on the screen and in the file."""
    measured(report())
    result = pipeline.measure(noise, exercises.load("toe_tap"))

    def of_session(*_: object, session: SessionNotes, **__: object) -> pipeline.Measured:
        return replace(result, report=report(session=session))

    monkeypatch.setattr(pipeline, "measure", of_session)
    page, pain_told = tmp_path / "r.html", cautions.load().pain
    told = matline("check", noise, "--exercise", "toe_tap", "--pain-before", pain, "--html", page)
    assert told.code == 0
    for text in (told.out, page.read_text()):
        assert (pain_told.sign.contact in text) is strong
        assert (cautions.load().advice_withheld.text in text) is strong
        assert ("What to change" in text) is not strong
        assert cautions.load().caution[0].text in text


def test_a_clip_that_cannot_answer_says_so_and_ends_with_7(
    matline: Matline, noise: Path, measured: Callable[[Report], None], tmp_path: Path
) -> None:
    problem = CaptureProblem(kind="no_person", message="Nobody was seen.", advice="Step back from the phone.")
    unusable = Capture(view="unknown", usable=False, problems=(problem,))
    measured(report(capture=unusable, repetitions=(), series={"time_s": ()}, sides={}, findings=()))
    told = matline("check", noise, "--exercise", "toe_tap", "--json", tmp_path / "r.json")
    assert told.code == 7
    assert "Nobody was seen. Step back from the phone." in told.out
    assert reports.read_json(tmp_path / "r.json").capture.usable is False


# ------------------------------------------------------------------------------------ the real thing


@pytest.mark.parametrize("stop", [signal.SIGINT, signal.SIGTERM])
def test_stopped_half_way_it_leaves_nothing_and_ends_with_130(stop: signal.Signals, tmp_path: Path) -> None:
    """Through the real walk, with the model loaded and the clip half measured."""
    clip = next(SAMPLE_CLIPS.glob("toe_tap_*.mp4"))  # measuring it takes much longer than what is waited here
    command = [sys.executable, "-c", "from analysis.cli import main; main()"]
    outputs = ["--json", str(tmp_path / "r.json"), "--html", str(tmp_path / "r.html")]
    process = subprocess.Popen(
        [*command, "check", str(clip), "--exercise", "toe_tap", *outputs],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True,
    )  # fmt: skip
    time.sleep(4)
    assert process.poll() is None
    process.send_signal(stop)
    out, err = process.communicate(timeout=30)
    assert process.returncode == 130
    assert "Traceback" not in out + err
    assert list(tmp_path.iterdir()) == []


def test_noise_without_a_person_is_refused_by_the_real_walk(matline: Matline, tmp_path: Path) -> None:
    short = write_clip(tmp_path / "noise.mp4", frames=30)
    told = matline("check", short, "--exercise", "toe_tap", "--fast")
    assert told.code == 7
    assert "This clip cannot answer" in told.out


def test_two_people_are_told_by_the_real_walk(matline: Matline, tmp_path: Path) -> None:
    """A client on the mat and somebody standing behind: the one who lies is measured, and that is said."""
    with Image.open(PICTURES / "client_and_passer_by.jpg") as file:
        picture = np.asarray(file.convert("RGB"))
    path = tmp_path / "two.mp4"
    video.write_video(path, (video.Frame(i / 10, picture) for i in range(40)))
    told = matline("check", path, "--exercise", "toe_tap", "--fast")
    assert "More than one person" in told.out
    assert "No repetition was found" in told.out
