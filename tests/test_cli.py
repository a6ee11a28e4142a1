"""The command line: results, and for every kind of bad input a clear word, its exit code, no traceback."""

import json
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import av
import numpy as np
import pytest
from fake_report import observations, report

from analysis import cautions, cli, exercises, pipeline, video
from analysis import report as reports
from analysis.records import Capture, CaptureProblem, Motion, Report, Skeleton


@dataclass(frozen=True)
class Ended:
    code: int
    out: str
    err: str


Matline = Callable[..., Ended]


@pytest.fixture
def matline(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Matline:
    """Runs the command in this process, as its installed script would."""

    def run(*arguments: object) -> Ended:
        monkeypatch.setattr(sys, "argv", ["matline", *map(str, arguments)])
        monkeypatch.setattr("analysis.cli.console.out.width", 200)
        monkeypatch.setattr(signal, "signal", lambda *_: None)
        with pytest.raises(SystemExit) as ended:
            cli.main()
        told = capsys.readouterr()
        assert "Traceback" not in told.err + told.out
        return Ended(int(ended.value.code or 0), " ".join(told.out.split()), " ".join(told.err.split()))

    return run


def write_clip(path: Path, frames: int, *, size: tuple[int, int] = (640, 360), rate: int = 10) -> Path:
    picture = np.random.default_rng(0).integers(0, 255, (size[1], size[0], 3)).astype(np.uint8)
    video.write_video(path, (video.Frame(i / rate, picture) for i in range(frames)), quality=35)
    return path


@pytest.fixture(scope="module")
def clip(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_clip(tmp_path_factory.mktemp("clips") / "noise.mp4", frames=320)


@pytest.fixture
def measured(monkeypatch: pytest.MonkeyPatch, clip: Path) -> Callable[[Report], None]:
    """Puts an invented report in place of measuring."""

    def instead(told: Report) -> None:
        time_s = np.arange(0, 32, 0.08)
        seen = observations(time_s, np.full((len(time_s), 33, 2), np.nan))
        body = Skeleton(time_s, {}, np.full((len(time_s), 17, 3), np.nan))
        motion = Motion(time_s, {}, {}, {}, "none")
        result = pipeline.Measured(told, video.probe(clip), seen, body, motion)
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
    matline: Matline, clip: Path, measured: Callable[[Report], None]
) -> None:
    measured(report())
    told = matline("check", clip, "--exercise", "toe_tap")
    assert told.code == 0
    assert "6 repetitions (3 left, 3 right)" in told.out
    assert "▲ look again F1" in told.out
    assert "Make the movement smaller" in told.out
    assert all(" ".join(c.text.split()) in told.out for c in cautions.load().caution)


def test_every_file_asked_for_is_written(
    matline: Matline, clip: Path, measured: Callable[[Report], None], tmp_path: Path
) -> None:
    measured(report())
    kinds = {"json": "r.json", "html": "r.html", "csv": "r.csv", "fhir": "r.fhir.json"}
    asked = [part for kind, name in kinds.items() for part in (f"--{kind}", tmp_path / name)]
    told = matline("check", clip, "--exercise", "toe_tap", "--client", "heron", *asked)
    assert told.code == 0
    assert all(f"Written: {tmp_path / name}" in told.out for name in kinds.values())
    assert reports.read_json(tmp_path / "r.json") == report()
    assert "The set at a glance" in (tmp_path / "r.html").read_text()
    assert json.loads((tmp_path / "r.fhir.json").read_text())["resourceType"] == "Bundle"
    assert not list(tmp_path.glob(".*"))


def test_what_the_client_felt_goes_with_the_report(
    matline: Matline, clip: Path, measured: Callable[[Report], None], monkeypatch: pytest.MonkeyPatch
) -> None:
    measured(report())
    result, given = pipeline.measure(clip, exercises.load("toe_tap")), {}
    monkeypatch.setattr(pipeline, "measure", lambda *_, **k: given.update(k) or result)
    session = ("--client", "heron", "--date", "2026-03-01", "--pain-before", 2, "--pain-after", 3)
    assert matline("check", clip, "--exercise", "toe_tap", *session).code == 0
    told = given["session"]
    assert (told.client, told.pain_before, told.pain_after) == ("heron", 2, 3)
    assert told.recorded_at.date().isoformat() == "2026-03-01"


def test_a_clip_that_cannot_answer_says_so_and_ends_with_7(
    matline: Matline, clip: Path, measured: Callable[[Report], None], tmp_path: Path
) -> None:
    problem = CaptureProblem(kind="no_person", message="Nobody was seen.", advice="Step back from the phone.")
    unusable = Capture(view="unknown", usable=False, problems=(problem,))
    measured(report(capture=unusable, repetitions=(), series={"time_s": ()}, sides={}, findings=()))
    told = matline("check", clip, "--exercise", "toe_tap", "--json", tmp_path / "r.json")
    assert told.code == 7
    assert "Nobody was seen. Step back from the phone." in told.out
    assert reports.read_json(tmp_path / "r.json").capture.usable is False


# ------------------------------------------------------------------------------------ bad input


def sound_only(path: Path) -> Path:
    with av.open(str(path), "w") as container:
        stream = container.add_stream("aac", rate=16000)
        for i in range(40):
            frame = av.AudioFrame.from_ndarray(np.zeros((1, 1024), np.float32), format="fltp", layout="mono")
            frame.sample_rate, frame.pts = 16000, i * 1024
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    return path


def text(path: Path, content: str) -> Path:
    path.write_text(content)
    return path


def cut_off(path: Path, whole: Path) -> Path:
    path.write_bytes(whole.read_bytes()[:3000])
    return path


BAD_CLIPS: dict[str, tuple[Callable[[Path, Path], Path], str]] = {
    "missing": (lambda p, _: p, "There is no file"),
    "a folder": (lambda p, _: p.mkdir() or p, "is a folder"),
    "empty": (lambda p, _: text(p, ""), "is empty"),
    "not a video": (lambda p, _: text(p, "hello, this is a text"), "not a video"),
    "cut off": (cut_off, "cut off"),
    "only sound": (lambda p, _: sound_only(p), "no moving picture"),
    "one picture": (lambda p, _: write_clip(p, 1), "too short"),
    "too short": (lambda p, _: write_clip(p, 5), "too short"),
    "tiny": (lambda p, _: write_clip(p, 30, size=(64, 48)), "too few"),
}


@pytest.mark.parametrize("kind", BAD_CLIPS)
def test_a_clip_that_cannot_be_read_ends_with_3(
    kind: str, matline: Matline, clip: Path, tmp_path: Path
) -> None:
    make, why = BAD_CLIPS[kind]
    told = matline(
        "check", make(tmp_path / "bad.mp4", clip), "--exercise", "toe_tap", "--json", tmp_path / "r.json"
    )
    assert told.code == 3
    assert told.err.startswith("Error:")
    assert why in told.err
    assert "bad.mp4" in told.err
    assert not (tmp_path / "r.json").exists()


@pytest.mark.parametrize(
    ("typed", "meant"),
    [("toe_taps", "toe_tap"), ("brigde", "bridge"), ("Curl-Up", "curl_up"), ("clams", "clam")],
)
def test_an_unknown_exercise_suggests_the_nearest(
    typed: str, meant: str, matline: Matline, clip: Path
) -> None:
    for told in (matline("check", clip, "--exercise", typed), matline("exercises", typed)):
        assert told.code == 2
        assert f"Did you mean '{meant}'?" in told.err


@pytest.mark.parametrize(
    ("arguments", "why"),
    [
        ((), "Missing argument"),
        (("CLIP",), "--exercise"),
        (("CLIP", "--exercise", "toe_tap", "--side", "up"), "Say left or right"),
        (("CLIP", "--exercise", "toe_tap", "--pain-before", "11"), "pain_before"),
        (("CLIP", "--exercise", "toe_tap", "--date", "yesterday"), "--date"),
        (("CLIP", "--exercise", "toe_tap", "--colour"), "No such option"),
    ],
)
def test_a_wrong_command_ends_with_2(
    arguments: tuple[str, ...], why: str, matline: Matline, clip: Path
) -> None:
    told = matline("check", *(str(clip) if a == "CLIP" else a for a in arguments))
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
    kind: str, matline: Matline, clip: Path, tmp_path: Path
) -> None:
    for place, why in ((tmp_path / "none" / "r.x", "There is no folder"), (tmp_path, "is a folder")):
        told = matline("check", clip, "--exercise", "toe_tap", f"--{kind}", place)
        assert told.code == 5
        assert why in told.err


@pytest.mark.usefixtures("never_measured")
def test_a_result_never_takes_the_place_of_the_clip_or_of_another(
    matline: Matline, clip: Path, tmp_path: Path
) -> None:
    before = clip.read_bytes()
    told = matline("check", clip, "--exercise", "toe_tap", "--video", clip)
    assert (told.code, clip.read_bytes()) == (5, before)
    twice = ("--json", tmp_path / "r", "--html", tmp_path / "r")
    assert "Two results" in matline("check", clip, "--exercise", "toe_tap", *twice).err


@pytest.mark.usefixtures("never_measured")
def test_a_health_record_needs_a_pseudonym(matline: Matline, clip: Path, tmp_path: Path) -> None:
    told = matline("check", clip, "--exercise", "toe_tap", "--fhir", tmp_path / "r.json")
    assert (told.code, "--client" in told.err) == (5, True)


@pytest.mark.usefixtures("never_measured")
def test_a_folder_that_takes_no_files_is_told_before_the_work(matline: Matline, clip: Path) -> None:
    told = matline("check", clip, "--exercise", "toe_tap", "--json", "/proc/r.json")  # not even root may
    assert (told.code, "Nothing can be written" in told.err) == (5, True)


def test_the_demo_without_its_clips_says_where_to_run_it(
    matline: Matline, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr("analysis.cli.demo.FOLDERS", (tmp_path,))
    told = matline("demo", "--folder", tmp_path / "out")
    assert (told.code, "sample clips" in told.err) == (3, True)


# ------------------------------------------------------------------------------------ the real thing


@pytest.mark.parametrize("stop", [signal.SIGINT, signal.SIGTERM])
def test_stopped_half_way_it_leaves_nothing_and_ends_with_130(
    stop: signal.Signals, clip: Path, tmp_path: Path
) -> None:
    """Through the real walk, with the model loaded and the clip half measured."""
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
