"""The real pose model on rendered people."""

import shutil
from collections.abc import Iterator
from pathlib import Path

import cv2
import numpy as np
import pytest

from analysis import landmarks
from analysis.errors import DataFileError
from analysis.landmarks import Follower, PeopleFinder, Pose

PICTURES = Path(__file__).parent / "pictures"
BODY = slice(landmarks.SHOULDERS[0], landmarks.COUNT)


def picture(name: str) -> np.ndarray:
    return cv2.cvtColor(cv2.imread(str(PICTURES / f"{name}.jpg")), cv2.COLOR_BGR2RGB)


@pytest.fixture(scope="module")
def client() -> np.ndarray:
    return picture("supine_side")


@pytest.fixture
def follower() -> Iterator[Follower]:
    with Follower(fast=True) as model:
        yield model


def middle(pose: Pose, pair: tuple[int, int]) -> np.ndarray:
    return pose.px[list(pair)].mean(0)


@pytest.mark.parametrize("fast", [True, False])
def test_lying_client_is_found_where_she_lies(client: np.ndarray, fast: bool) -> None:
    """Places read off the picture by eye, to 25 px of a body that is 500 px long."""
    with Follower(fast=fast) as model:
        pose = model.follow(client)
    assert pose is not None
    for pair, place in (
        (landmarks.SHOULDERS, (275, 300)),
        (landmarks.HIPS, (430, 300)),
        (landmarks.KNEES, (545, 175)),
    ):
        assert middle(pose, pair) == pytest.approx(place, abs=25)
    assert pose.cm.shape == (33, 3)
    trunk_cm = np.linalg.norm(
        pose.cm[list(landmarks.SHOULDERS)].mean(0) - pose.cm[list(landmarks.HIPS)].mean(0)
    )
    assert 35 < trunk_cm < 65
    assert ((pose.visibility >= 0) & (pose.visibility <= 1)).all()


@pytest.mark.parametrize("quarter_turns", [1, 2, 3])
def test_client_is_found_upside_down_too(client: np.ndarray, follower: Follower, quarter_turns: int) -> None:
    upright = follower.follow(client)
    follower.forget(client)
    turned = follower.follow(np.rot90(client, quarter_turns))
    assert upright is not None
    assert turned is not None
    height, width = client.shape[:2]
    x, y = upright.px.T
    expected = {1: (y, width - x), 2: (width - x, height - y), 3: (height - y, x)}[quarter_turns]
    off = np.linalg.norm(turned.px - np.stack(expected, 1), axis=1)[BODY]
    assert np.median(off) < 12


def test_nobody_in_an_empty_room(client: np.ndarray, follower: Follower) -> None:
    assert follower.follow(np.full_like(client, 120)) is None
    with PeopleFinder() as finder:
        assert finder.find(np.full_like(client, 120)) == []


def test_everybody_is_found() -> None:
    with PeopleFinder() as finder:
        assert len(finder.find(picture("client_and_passer_by"))) == 2
        assert len(finder.find(picture("supine_side"))) == 1


def test_landmarks_do_not_lag(client: np.ndarray, follower: Follower) -> None:
    """A jump of the whole picture shows at once; the runtime's own smoothing would leave part of it."""
    for _ in range(5):
        before = follower.follow(client)
    after = follower.follow(np.roll(client, 40, axis=1))
    assert before is not None
    assert after is not None
    assert np.median((after.px - before.px)[BODY, 0]) == pytest.approx(40, abs=3)


def test_visibility_does_not_lag(client: np.ndarray, follower: Follower) -> None:
    """Feet that disappear are doubted in the same picture: smoothed, they would lose a tenth at most."""
    for _ in range(5):
        before = follower.follow(client)
    hidden = client.copy()
    hidden[200:, 560:] = 60
    after = follower.follow(hidden)
    assert before is not None
    assert after is not None
    feet = [*landmarks.ANKLES, *landmarks.TOES]
    assert after.visibility[feet].mean() < 0.8 * before.visibility[feet].mean()


def test_forgetting_makes_results_repeatable(client: np.ndarray, follower: Follower) -> None:
    walk = [np.roll(client, 5 * i, axis=1) for i in range(4)]
    first = [follower.follow(image) for image in walk]
    follower.follow(np.roll(client, 200, axis=1))
    follower.forget(client)
    second = [follower.follow(image) for image in walk]
    for a, b in zip(first, second, strict=True):
        assert a is not None
        assert b is not None
        assert a.px == pytest.approx(b.px, abs=1e-3)
        assert a.cm == pytest.approx(b.cm, abs=1e-3)
        assert a.visibility == pytest.approx(b.visibility, abs=1e-5)


def test_runtime_says_nothing(client: np.ndarray, capfd: pytest.CaptureFixture[str]) -> None:
    with Follower(fast=True) as model:
        model.follow(client)
    assert capfd.readouterr() == ("", "")


def test_plotting_library_stays_usable(follower: Follower) -> None:
    from matplotlib import pyplot

    assert callable(pyplot.plot)


@pytest.mark.parametrize("damage", ["changed", "missing"])
def test_damaged_model_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, damage: str) -> None:
    models = tmp_path / "models"
    models.mkdir()
    shutil.copy(Path(landmarks.__file__).parent / "models" / "manifest.toml", models)
    if damage == "changed":
        (models / "pose_heavy.task").write_bytes(b"PK other bytes")
    monkeypatch.setattr("analysis.landmarks.files", lambda package: tmp_path)
    with pytest.raises(DataFileError, match="Install the package again"):
        Follower()
