"""The pelvis at the far ends of repetitions, by pictures of them laid over each other."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from fake_report import observations
from made_sets import spans
from scipy import ndimage

from analysis import video
from analysis.far_ends.ends import MOST_BEFORE, pairs
from analysis.far_ends.pair import End, Pair, coarse, pair
from analysis.far_ends.shift import cells, flow
from analysis.far_ends.window import CELL_PX, CELLS, PX_PER_SCALE, window
from analysis.landmarks import HIPS, SHOULDERS
from analysis.records import Floats, Observations
from analysis.skeleton.features import MIRRORED, USED

WIDTH, HEIGHT = CELLS[0] * CELL_PX, CELLS[1] * CELL_PX
INNER = (slice(12, -12), slice(12, -12))  # as far from the edge as things move
CAMERA = np.array([[0.0, 1.0, 0.0], [-1.0, 0.0, 0.0], [0.0, 0.0, 1.0]])


def texture(seed: int = 0, shape: tuple[int, int] = (HEIGHT, WIDTH)) -> Floats:
    """Grey values of cloth with a pattern of a few pixels."""
    rough = ndimage.gaussian_filter(np.random.default_rng(seed).normal(size=shape), 2.5)
    return np.asarray(128 + 40 * rough / rough.std())


def grey(values: Floats) -> np.ndarray:
    return np.clip(values, 0, 255).astype(np.uint8)


def lying(hips: tuple[float, float] = (300.0, 200.0), trunk: tuple[float, float] = (-150.0, 0.0)) -> Floats:
    """Landmarks (33, 2) of a client whose head is to the left."""
    px = np.tile(np.array(hips), (33, 1)) + np.random.default_rng(1).normal(0, 60, (33, 2))
    px[list(HIPS)] = np.array(hips) + np.array([[0.0, -12.0], [0.0, 12.0]])
    px[list(SHOULDERS)] = np.array(hips) + np.array(trunk) + np.array([[0.0, -20.0], [0.0, 20.0]])
    return px


# ------------------------------------------------------------------------ what moved in the picture


def test_the_window_lies_along_the_trunk_whatever_way_the_client_lies() -> None:
    for trunk in ((-150.0, 0.0), (0.0, -150.0), (90.0, 120.0)):
        at = window(lying(trunk=trunk)[None], 400.0)
        assert at is not None
        assert at.place(np.array([300.0, 200.0])) == pytest.approx([0, 0])
        assert at.place(np.array([300.0, 200.0]) + trunk) == pytest.approx([150 / 400, 0])
        assert np.linalg.det(at.axes) == pytest.approx(1)  # a picture is never mirrored


def test_a_mark_in_the_picture_is_found_at_its_place_in_the_window() -> None:
    at = window(lying()[None], 400.0)
    assert at is not None
    picture = np.zeros((400, 600, 3), np.uint8)
    picture[195:206, 255:266] = 255  # 40 px towards the head, which is to the left
    found = ndimage.center_of_mass(np.maximum(at.cut(picture).astype(float) - 150, 0))
    along = (0.30 + 40 / 400) * PX_PER_SCALE
    assert found == pytest.approx((HEIGHT / 2, along), abs=1.0)


def test_where_the_client_was_not_seen_there_is_no_window() -> None:
    assert window(np.full((2, 33, 2), np.nan), 400.0) is None


@pytest.mark.parametrize("moved_px", [(0.0, 0.0), (3.4, 0.0), (-1.7, 5.2), (0.0, -8.0)])
def test_a_shift_is_read_to_a_tenth_of_a_pixel(moved_px: tuple[float, float]) -> None:
    """Against `scipy.ndimage.shift`, which moves pictures by splines."""
    first = texture()
    second = ndimage.shift(first, moved_px[::-1], order=3, mode="nearest")
    told = cells(flow(grey(first), grey(second)), flow(grey(second), grey(first)), grey(first))[INNER]
    off = np.linalg.norm(told[..., :2] * PX_PER_SCALE - moved_px, axis=2)
    assert off.max() < 0.5  # of sixteen pixels alone
    whole = cells(flow(grey(first), grey(second)), flow(grey(second), grey(first)), grey(first))
    blocks = coarse(whole)[2:-2, 2:-2, :2] / 100 * PX_PER_SCALE
    assert blocks[..., 0] == pytest.approx(moved_px[0], abs=0.25)
    assert blocks[..., 1] == pytest.approx(moved_px[1], abs=0.25)
    assert np.median(told[..., :2] * PX_PER_SCALE, axis=(0, 1)) == pytest.approx(moved_px, abs=0.1)
    assert told[..., 2].min() > 0.8


def test_what_cannot_be_followed_there_and_back_counts_for_nothing() -> None:
    one, other = grey(texture(0)), grey(texture(1))
    assert cells(flow(one, other), flow(other, one), one)[..., 2].mean() < 0.3


def test_plain_cloth_is_told_from_patterned() -> None:
    plain, rough = np.full((HEIGHT, WIDTH), 128, np.uint8), grey(texture())
    still = np.zeros((HEIGHT, WIDTH, 2))
    of_blocks = [coarse(cells(still, still, picture))[..., 3] for picture in (plain, rough)]
    assert of_blocks[0].max() + 1.0 < of_blocks[1].min()


def test_blocks_tell_the_mean_of_their_cells_that_can_be_followed() -> None:
    moved = np.zeros((*CELLS, 4))
    moved[..., 0] = 0.01
    moved[..., 2] = 1.0
    moved[:3, :, 0], moved[:3, :, 2] = 5.0, 0.0  # half of the first row of blocks lost its way
    told = coarse(moved)
    assert told.shape == (14, 10, 4)
    assert told[1:, :, 0] == pytest.approx(1.0)
    assert told[0, :, 0] == pytest.approx(1.0, abs=0.6)
    assert told[0, :, 2] == pytest.approx(0.5)


def shown(picture: np.ndarray, px: Floats, seed: int) -> End:
    rng = np.random.default_rng(seed)
    at = window(px[None], 400.0)
    assert at is not None
    return End(at.cut(picture), px, rng.normal(0, 20, (33, 3)), rng.uniform(0, 1, 33))


def coloured(values: Floats) -> np.ndarray:
    return np.repeat(grey(values)[..., None], 3, axis=2)


def flipped(end: End, picture: np.ndarray, width: int) -> tuple[End, np.ndarray]:
    """The same in a mirror: left and right exchanged in the picture and on the client."""
    order = np.arange(33)
    order[list(USED)] = MIRRORED
    px = end.px[order] * [-1, 1] + [width - 1, 0]
    return replace(end, px=px, cm=end.cm[order] * [-1, 1, 1], visibility=end.visibility[order]), picture[
        :, ::-1
    ]


def test_a_mirrored_pair_is_that_of_the_mirrored_pictures() -> None:
    first, second = texture(2, (400, 600)), ndimage.shift(texture(2, (400, 600)), (3.0, -2.0), mode="nearest")
    ends = [shown(coloured(p), lying(), k) for k, p in enumerate((first, second))]
    at = window(lying()[None], 400.0)
    assert at is not None
    told = pair(ends[0], ends[1], at, CAMERA, 1.0)
    mirrors = [flipped(e, coloured(p), 600) for e, p in zip(ends, (first, second), strict=True)]
    there = window(mirrors[0][0].px[None], 400.0)
    assert there is not None
    ends = [replace(e, grey=there.cut(np.ascontiguousarray(p))) for e, p in mirrors]
    # In a mirror, the picture's x and the mat's right change their signs.
    camera = np.diag([-1.0, 1.0, 1.0]) @ CAMERA @ np.diag([1.0, 1.0, -1.0])
    wanted = pair(ends[0], ends[1], there, camera, -1.0)
    for name in ("place", "visibility", "shift", "shift_cm", "camera", "side"):
        np.testing.assert_allclose(getattr(told.mirrored(), name), getattr(wanted, name), atol=1e-9)
    apart = np.abs(told.mirrored().moved - wanted.moved)[INNER].max(axis=(0, 1))
    assert (apart[:3] < [0.2 / PX_PER_SCALE, 0.2 / PX_PER_SCALE, 0.05]).all()
    # Of a few pixels alone, texture changes with where these lie; of blocks it does not.
    blocks_apart = np.abs(coarse(told.mirrored().moved) - coarse(wanted.moved))[2:-2, 2:-2].max(axis=(0, 1))
    assert (blocks_apart[2:] < [0.02, 0.05]).all()
    assert np.abs(wanted.moved[INNER][..., 1]).min() > 1 / PX_PER_SCALE  # not merely because nothing moved
    # Along, across, followed, texture, place along and across; then left thigh, right thigh, trunk, hips.
    turned = told.picture()[:, ::-1, [0, 1, 2, 3, 4, 5, 7, 6, 8, 9]] * [1, -1, 1, 1, 1, -1, 1, 1, 1, 1]
    np.testing.assert_allclose(told.mirrored().picture(), turned, atol=1e-9)


def test_cloth_is_told_by_its_steps_of_brightness_round_the_hips() -> None:
    """Half a wave of a sine of height 40 goes up by 80 in 10 px: a mean step of 8 across its stripes."""
    at = window(lying()[None], 400.0)
    assert at is not None
    rows = np.arange(HEIGHT)[:, None] * np.ones(WIDTH)
    wave = 128 + 40 * np.sin(2 * np.pi * rows / 20)
    ends = {k: replace(shown(coloured(texture()), lying(), 0), grey=grey(v)) for k, v in
            {"plain": np.full((HEIGHT, WIDTH), 90.0), "striped": wave}.items()}  # fmt: skip
    cloth = {k: pair(end, end, at, CAMERA, 1.0).cloth() for k, end in ends.items()}
    assert cloth["plain"] == pytest.approx(0.0, abs=1e-6)
    assert cloth["striped"] == pytest.approx(8.0, rel=0.1)


def test_a_mirror_twice_is_none() -> None:
    at = window(lying()[None], 400.0)
    assert at is not None
    picture = coloured(texture(3, (400, 600)))
    told = pair(shown(picture, lying(), 0), shown(picture, lying(), 1), at, CAMERA, 1.0)
    np.testing.assert_allclose(told.mirrored().mirrored().features(), told.features())


# ------------------------------------------------------------------------------- pairs of a clip


@pytest.fixture(scope="module")
def filmed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("far_ends") / "clip.mp4"
    picture = coloured(texture(4, (360, 640)))
    video.write_video(path, (video.Frame(k / 10, picture) for k in range(400)))
    return path


def watched(time_s: Floats) -> Observations:
    seen = observations(time_s, np.tile(lying(), (len(time_s), 1, 1)))
    return replace(seen, landmarks_cm=np.zeros((len(time_s), 33, 3)))


def test_far_ends_of_a_side_are_paired_and_each_with_the_still_start(filmed: Path) -> None:
    done = spans(4)
    seen = watched(np.arange(0, 40, 0.08))
    numbers = {(i, k) for i, k, _ in pairs(video.probe(filmed), seen, done, CAMERA)}
    assert numbers == {(None, 0), (None, 1), (None, 2), (None, 3), (0, 2), (1, 3)}


def test_each_far_end_is_compared_with_no_more_than_a_few_before(filmed: Path) -> None:
    done = spans(9, phase_s=1.0, hold_s=0.0, sides=("both",))
    found = list(pairs(video.probe(filmed), watched(np.arange(0, 40, 0.08)), done, CAMERA))
    before = [i for i, k, _ in found if k == 8 and i is not None]
    assert before == list(range(8 - MOST_BEFORE, 8))


def test_a_far_end_at_which_the_client_is_not_seen_is_left_out(filmed: Path) -> None:
    done = spans(4)
    seen = watched(np.arange(0, 40, 0.08))
    px = np.array(seen.landmarks_px)
    px[np.abs(seen.time_s - done[1].turn_s) < 0.3] = np.nan
    found = list(pairs(video.probe(filmed), replace(seen, landmarks_px=px), done, CAMERA))
    assert {k for _, k, _ in found} == {0, 2, 3}


def test_far_ends_are_compared_though_the_still_start_was_not_seen(filmed: Path) -> None:
    seen = watched(np.arange(0, 40, 0.08))
    px = np.array(seen.landmarks_px)
    px[seen.time_s < 1.5] = np.nan
    found = pairs(video.probe(filmed), replace(seen, landmarks_px=px), spans(4), CAMERA)
    assert {(i, k) for i, k, _ in found} == {(0, 2), (1, 3)}


def test_nothing_moved_between_equal_pictures(filmed: Path) -> None:
    found = list(pairs(video.probe(filmed), watched(np.arange(0, 40, 0.08)), spans(4), CAMERA))
    assert max(float(np.abs(told.moved[..., :2]).max()) for _, _, told in found) * PX_PER_SCALE < 0.2
    assert all(isinstance(told, Pair) for *_, told in found)
