"""A rendered client in clips made on the spot: splitting, counting, and workers that die."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import cv2
import numpy as np
import pytest

from analysis import video
from analysis.errors import MatlineError
from analysis.landmarks import Pose
from analysis.observe import crew, observe, survey, walk
from analysis.observe.background import Background, brightness
from analysis.observe.survey import Look
from analysis.records import Clip, Observations

PICTURES = Path(__file__).parent / "pictures"
WIDTH, HEIGHT = 960, 540


def picture(name: str = "supine_side") -> np.ndarray:
    return cv2.cvtColor(cv2.imread(str(PICTURES / f"{name}.jpg")), cv2.COLOR_BGR2RGB)


def moved(image: np.ndarray, x: float, y: float) -> np.ndarray:
    return cv2.warpAffine(
        image, np.float32([[1, 0, x], [0, 1, y]]), (WIDTH, HEIGHT), borderMode=cv2.BORDER_REPLICATE
    )


@pytest.fixture(scope="module")
def panned(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """12.5 s at 5 pictures a second; after 6 s the camera turns, 27 px (5 % of the height) in all."""
    path = tmp_path_factory.mktemp("clips") / "panned.mp4"
    image, times = picture(), np.arange(0, 12.5, 0.2)
    shots = (video.Frame(float(t), moved(image, -27 * np.clip(t - 6, 0, 1), 0)) for t in times)
    video.write_video(path, shots)
    return path


@pytest.fixture(scope="module")
def alone(panned: Path) -> tuple[Observations, list[float]]:
    shares: list[float] = []
    seen = observe(video.probe(panned), fast=True, cloth=True, workers=1, progress=shares.append)
    return seen, shares


# ------------------------------------------------------------------------------ what is observed


def test_client_is_seen_in_every_picture(alone: tuple[Observations, list[float]]) -> None:
    seen, _ = alone
    assert seen.time_s == pytest.approx(np.arange(0, 12.5, 0.2), abs=1e-3)
    assert (seen.width, seen.height) == (WIDTH, HEIGHT)
    assert np.isfinite(seen.landmarks_px).all()
    assert (seen.people == 1).all()
    start, end = seen.landmarks_px[5, 11:], seen.landmarks_px[-5, 11:]
    assert np.median(end - start, axis=0) == pytest.approx([-27, 0], abs=3)


def test_cloth_moves_with_the_picture(alone: tuple[Observations, list[float]]) -> None:
    seen, _ = alone
    moved = np.nanmedian(seen.fabric_px[-5] - seen.fabric_start_px, axis=0)
    assert moved == pytest.approx([-27, 0], abs=1)


def test_camera_that_turns_is_measured(alone: tuple[Observations, list[float]]) -> None:
    shift = alone[0].camera_shift
    assert np.nanmax(shift[:30]) < 0.003
    assert shift[-10:] == pytest.approx(27 / HEIGHT, abs=0.005)


def test_light_is_that_round_the_client(alone: tuple[Observations, list[float]]) -> None:
    assert 0.1 < alone[0].brightness.mean() < 0.6
    assert np.ptp(alone[0].brightness) < 0.03


def test_progress_grows_to_one(alone: tuple[Observations, list[float]]) -> None:
    _, shares = alone
    assert shares == sorted(shares)
    assert len(shares) > 20
    assert shares[-1] == 1.0


def test_result_does_not_depend_on_workers(panned: Path, alone: tuple[Observations, list[float]]) -> None:
    together = observe(video.probe(panned), fast=True, cloth=True, workers=2)
    for name, one in vars(alone[0]).items():
        if isinstance(one, np.ndarray):
            assert getattr(together, name) == pytest.approx(one, abs=1e-5, nan_ok=True), name


def test_size_of_the_clip_is_the_size_of_the_pixels(tmp_path: Path) -> None:
    image = cv2.resize(picture(), (1920, 1080))
    path = tmp_path / "large.mp4"
    video.write_video(path, (video.Frame(t, image) for t in np.arange(0, 3, 0.5).tolist()))
    seen = observe(video.probe(path), fast=True)
    assert (seen.width, seen.height) == (1920, 1080)
    assert np.isnan(seen.fabric_px).all()  # cloth is followed where it is asked for
    assert seen.landmarks_px[2, [23, 24]].mean(0) == pytest.approx((860, 600), abs=50)


def test_empty_room_gives_gaps_not_zeros(tmp_path: Path) -> None:
    path = tmp_path / "room.mp4"
    video.write_video(
        path, (video.Frame(t, np.full((HEIGHT, WIDTH, 3), 120, np.uint8)) for t in (0.0, 1.0, 2.0))
    )
    seen = observe(video.probe(path), fast=True)
    assert np.isnan(seen.landmarks_px).all()
    assert (seen.people == 0).all()
    assert np.isnan(seen.camera_shift).all()  # nothing to hold on to: cannot tell
    assert seen.brightness == pytest.approx(120 / 255, abs=0.02)


def test_background_ignores_the_client() -> None:
    image = picture()
    client = np.array([100.0, 150.0, 720.0, 380.0]) + 0.25 * 620 * np.array([-1, -1, 1, 1])  # with its room
    busy = image.copy()
    busy[150:380, 100:720] = np.roll(image, 60, axis=1)[150:380, 100:720]
    assert Background(image, client).shift(busy) < 0.003
    assert brightness(np.full((80, 80, 3), 51, np.uint8)) == pytest.approx(0.2)


def test_a_client_who_fills_the_picture_leaves_room_to_see_the_camera_move() -> None:
    image = picture()
    height, width = image.shape[:2]
    client = np.array([0.1 * width, 0.3 * height, 0.9 * width, 0.8 * height])
    with_room = client + 0.25 * 0.8 * width * np.array([-1, -1, 1, 1])  # beyond the picture on all sides
    moved = np.roll(image, round(0.1 * height), axis=1)
    assert Background(image, with_room).shift(moved) == pytest.approx(0.1, abs=0.02)


def test_two_spots_that_stay_tell_that_the_camera_stayed() -> None:
    """In a plain room most spots lie on the client, who moves, or are covered on the way."""
    rng = np.random.default_rng(5)
    room = np.full((540, 960, 3), 120, np.uint8)
    room[40:80, 60:100] = room[60:100, 860:900] = 30
    client = rng.integers(60, 200, (12, 30, 3), np.uint8).repeat(16, 0).repeat(16, 1)
    start, raised = room.copy(), room.copy()
    start[300:492, 240:720], raised[240:432, 250:730] = client, client
    whole = np.array([240.0, 300.0, 720.0, 492.0]) + 0.16 * 480 * np.array([-1, -1, 1, 1])
    inner = whole + 60 * np.array([1, 1, -1, -1])  # the client's box, found too small
    assert Background(start, inner).shift(raised) < 0.003
    assert Background(start, inner).shift(np.roll(raised, 54, axis=1)) > 0.05


# ------------------------------------------------------------------------------ who is the client


def person(left: float, top: float, right: float, bottom: float) -> Pose:
    corners = np.array([(left, top), (right, bottom)])
    px = np.repeat(corners, [17, 16], axis=0)
    return Pose(px, np.zeros((33, 3)), np.ones(33))


CLIENT = person(200, 350, 800, 550)
PASSER_BY = person(500, 100, 620, 520)


def chosen(*people: tuple[Pose, ...]) -> survey.Survey:
    clip = Clip(Path("x.mp4"), tuple(float(t) for t in range(20)), 1280, 720, 0, None)
    return survey.choose(clip, [Look(float(i), 1280, 720, p) for i, p in enumerate(people)])


def test_lying_client_is_told_from_someone_who_stands_by() -> None:
    """Even where the client was missed more often than the other."""
    found = chosen((CLIENT, PASSER_BY), (PASSER_BY,), (PASSER_BY, CLIENT), (PASSER_BY,), (CLIENT,))
    assert found.people == (2, 1, 2, 1, 1)
    assert found.is_client(CLIENT)
    assert not found.is_client(person(900, 100, 1020, 520))
    left, top, right, bottom = found.crop
    assert (left, right) == (50, 951)
    assert top > 190  # the head of whoever stands behind is out of sight
    assert bottom <= 720


def test_one_person_reported_twice_counts_once() -> None:
    assert chosen((CLIENT, person(210, 340, 790, 555))).people == (1,)


def test_still_start_is_a_picture_with_the_client() -> None:
    clip = clip_of(20.0, 1.0)
    looks = [Look(t, 1280, 720, (CLIENT,) if t > 0.7 else ()) for t in (0.2, 0.5, 1.0, 5.0, 10.0)]
    found = survey.choose(clip, looks)
    assert found.start_s == 1.0
    assert found.start is CLIENT
    assert survey.choose(clip, [Look(t, 1280, 720, ()) for t in (0.2, 0.5, 1.0)]).start_s == 0.5


def test_still_start_is_placed_by_the_model_that_measures() -> None:
    clip, exact = clip_of(20.0, 1.0), person(205, 345, 790, 560)
    for measured, expected in ((exact, exact), (PASSER_BY, CLIENT), (None, CLIENT)):
        looks = [Look(0.5, 1280, 720, (CLIENT,), False, measured), Look(9.0, 1280, 720, (CLIENT,))]
        assert survey.choose(clip, looks).start is expected


def test_nobody_found_leaves_the_whole_picture() -> None:
    found = chosen((), (), ())
    assert found.crop == (0, 0, 1280, 720)
    assert found.client is None
    assert found.start is None


# ------------------------------------------------------------------------------ splitting


def clip_of(duration_s: float, key_every_s: float, rate_hz: float = 30.0) -> Clip:
    times = tuple((np.arange(round(duration_s * rate_hz)) / rate_hz).tolist())
    keys = tuple(np.arange(0, duration_s, key_every_s).tolist())
    return Clip(Path("x.mp4"), times, 1280, 720, 0, None, key_times_s=keys)


@pytest.mark.parametrize("duration_s", [2.0, 9.0, 13.0, 40.0, 600.0, 3599.0])
@pytest.mark.parametrize("key_every_s", [1.0, 8.3, 10_000.0])
def test_parts_hold_every_picture_once_and_are_alike(duration_s: float, key_every_s: float) -> None:
    clip = clip_of(duration_s, key_every_s)
    times = video.sample_times(clip)
    parts = walk._split(clip, times)
    assert tuple(t for part in parts for t in part) == times
    lengths = np.array([len(part) for part in parts]) / video.SAMPLE_RATE_HZ
    assert lengths.max() < (1.35 if len(parts) < 16 else 1.95) * duration_s / len(parts) + 0.2
    assert len(parts) == 1 or lengths.min() > 4


@pytest.mark.parametrize("duration_s", [2.0, 40.0, 600.0])
def test_survey_looks_all_over_the_clip(duration_s: float) -> None:
    clip = clip_of(duration_s, 1.0)
    times = survey.times(clip)
    assert times[:2] == (0.5, 1.0)
    assert max(np.diff([0.0, *sorted(times), duration_s])) < max(10.0, duration_s / 3)


# ------------------------------------------------------------------------------ workers


def die(models: crew.Models, job: int, tick: crew.Tick) -> int:
    os._exit(9)


def fail(models: crew.Models, job: int, tick: crew.Tick) -> int:
    raise ValueError(f"job {job}")


def double(models: crew.Models, job: int, tick: crew.Tick) -> int:
    tick()
    return 2 * job


def test_crew_keeps_the_order_counts_and_hands_on_errors() -> None:
    counts: list[int] = []
    with crew.crew(2, fast=True, counted=counts.append) as team:
        assert team.each(double, range(7)) == [2 * i for i in range(7)]
        assert counts[-1] == 7
        with pytest.raises(ValueError, match="job"):
            team.each(fail, [1, 2])
        with pytest.raises(MatlineError, match="ended unexpectedly"):
            team.each(die, [1, 2])


@pytest.fixture
def busy(tmp_path: Path) -> Iterator[subprocess.Popen[str]]:
    """A script without a main guard that measures a long clip; it says when the measuring has begun."""
    path = tmp_path / "long.mp4"
    video.write_video(path, (video.Frame(float(i), picture()) for i in range(150)), quality=40)
    script = tmp_path / "script.py"
    script.write_text(
        "from analysis import video\nfrom analysis.observe import observe\n"
        f"observe(video.probe({str(path)!r}), workers=2, progress=lambda share: print(share, flush=True))\n"
    )
    process = subprocess.Popen(
        [sys.executable, str(script)], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        start_new_session=True, env=os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)},
    )  # fmt: skip
    assert process.stdout is not None
    while float(process.stdout.readline() or 1) == 0:
        pass
    yield process
    if _anyone(process.pid):
        os.killpg(process.pid, signal.SIGKILL)


def _anyone(group: int) -> bool:
    """Whether a process of the group is left (one that ended but was not waited for does not count)."""
    states = subprocess.run(["ps", "-o", "stat=", "-g", str(group)], capture_output=True, text=True).stdout
    return any(not state.startswith("Z") for state in states.split())


def _gone(group: int, within_s: float) -> bool:
    until = time.monotonic() + within_s
    while _anyone(group) and time.monotonic() < until:
        time.sleep(0.1)
    return not _anyone(group)


def test_interrupt_ends_everything_cleanly(busy: subprocess.Popen[str]) -> None:
    os.killpg(busy.pid, signal.SIGINT)  # as a terminal does for Ctrl-C
    _, said = busy.communicate(timeout=60)
    assert busy.returncode != 0
    assert said.count("KeyboardInterrupt") == 1  # the caller's, and none of the workers'
    assert _gone(busy.pid, 5)


def test_workers_die_with_their_caller(busy: subprocess.Popen[str]) -> None:
    busy.kill()
    busy.wait()
    assert _gone(busy.pid, 30)
