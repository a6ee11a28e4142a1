"""The cloth over the pelvis, in pictures drawn and turned by known angles."""

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from analysis.fabric import NOTHING, SPOTS, FabricTracker
from analysis.records import Floats

Image = NDArray[np.uint8]
SIZE = (1280, 720)
HIPS = (640.0, 400.0)
# Somebody on the back, head to the left, arms behind the head: (landmarks), place [px].
PLACES = {
    (11, 12): (340, 400), (13, 14): (260, 380), (15, 16, 19, 20): (200, 390), (23, 24): HIPS,
    (25, 26): (790, 250), (27, 28): (900, 430),
}  # fmt: skip


def landmarks() -> Floats:
    """(33, 2) [px]; near and far side a few pixels apart."""
    out = np.full((33, 2), HIPS)
    for pair, at in PLACES.items():
        for i, landmark in enumerate(pair):
            out[landmark] = np.add(at, (0, 12 * (i % 2) - 6))
    return out


def person(patterned: bool) -> Image:
    """A body in one colour, or with cells of 9 px in many, on a mat with light from one side."""
    rng = np.random.default_rng(4)
    width, height = SIZE
    picture = np.full((height, width, 3), (70, 95, 120), float)
    shape = np.zeros((height, width), np.uint8)
    places = {n: at for pair, at in PLACES.items() for n in pair}
    for a, b in ((11, 23), (23, 25), (25, 27), (11, 15)):
        ends = [tuple(int(v) for v in places[n]) for n in (a, b)]
        cv2.line(shape, ends[0], ends[1], 255, 110 if a in (11, 23) and b != 15 else 70)
    cells = rng.uniform(-60, 60, (height // 9 + 1, width // 9 + 1, 3)) if patterned else np.zeros((1, 1, 3))
    cloth = np.add(cv2.resize(cells, SIZE, interpolation=cv2.INTER_LINEAR), (170, 60, 90))
    picture[shape > 0] = cloth[shape > 0]
    picture += np.linspace(-15, 15, width)[None, :, None] + rng.normal(0, 1.5, picture.shape)
    return cv2.GaussianBlur(np.clip(picture, 0, 255).astype(np.uint8), (0, 0), 0.8)


def turned(picture: Image, clockwise_deg: float, move: tuple[float, float] = (0, 0)) -> tuple[Image, Floats]:
    """The picture and its landmarks after a turn about the hips, clockwise as seen, and a move [px]."""
    matrix = cv2.getRotationMatrix2D(HIPS, -clockwise_deg, 1.0)
    matrix[:, 2] += move
    after = cv2.warpAffine(picture, matrix, SIZE, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return after, landmarks() @ matrix[:, :2].T + matrix[:, 2]


def turn_deg(cloth: FabricTracker, spots: Floats) -> float:
    """Turn of the spots since the start [deg, + clockwise as seen], by an independent library."""
    seen = np.isfinite(spots[:, 0])
    start, now = (np.pad(x[seen] - x[seen].mean(axis=0), ((0, 0), (0, 1))) for x in (cloth.start_px, spots))
    turn, _ = Rotation.align_vectors(now, start)
    return float(np.degrees(turn.as_rotvec()[2]))


@pytest.fixture(scope="module")
def cloth() -> FabricTracker:
    return FabricTracker(person(patterned=True), landmarks())


@pytest.mark.parametrize("clockwise_deg", [-12.0, -5.0, -1.0, 0.0, 2.0, 8.0])
def test_a_turn_is_read_with_its_sign(cloth: FabricTracker, clockwise_deg: float) -> None:
    seen = cloth.update(*turned(person(patterned=True), clockwise_deg))
    assert turn_deg(cloth, seen) == pytest.approx(clockwise_deg, abs=0.3)
    assert np.isfinite(seen).sum() > 0.8 * np.isfinite(cloth.start_px).sum()


def test_a_move_without_a_turn_is_none(cloth: FabricTracker) -> None:
    seen = cloth.update(*turned(person(patterned=True), 0.0, move=(14, -9)))
    assert turn_deg(cloth, seen) == pytest.approx(0.0, abs=0.3)
    shift = np.nanmedian(seen - cloth.start_px, axis=0)
    assert shift == pytest.approx([14, -9], abs=0.5)


def test_nothing_drifts_over_many_pictures(cloth: FabricTracker) -> None:
    """Each picture is matched with the start itself, so there and back ends where it began."""
    turns = (*range(0, 10), *range(9, -1, -1))
    told = [turn_deg(cloth, cloth.update(*turned(person(patterned=True), deg))) for deg in turns]
    assert told[-1] == pytest.approx(0.0, abs=0.1)
    assert told[9] == pytest.approx(9.0, abs=0.3)


def test_spots_lie_over_the_pelvis(cloth: FabricTracker) -> None:
    spots = cloth.start_px[np.isfinite(cloth.start_px[:, 0])]
    assert 12 <= len(spots) <= SPOTS
    assert np.abs(spots - HIPS).max() <= 120  # the trunk is 300 px long


def test_plain_cloth_cannot_tell() -> None:
    plain = FabricTracker(person(patterned=False), landmarks())
    assert np.isnan(plain.start_px).all()
    seen = plain.update(*turned(person(patterned=False), 6.0))
    assert seen is NOTHING


def test_a_seam_between_colours_of_one_brightness_is_seen() -> None:
    """A red shirt over green trousers, jagged where they meet, that a grey picture does not show."""
    one_colour = person(patterned=False)
    shirt, trousers = np.array((190, 40, 90)), np.array((40, 112, 104))
    weights = cv2.cvtColor(np.uint8([[shirt, trousers]]), cv2.COLOR_RGB2GRAY)
    assert abs(int(weights[0, 0]) - int(weights[0, 1])) <= 1
    body = (one_colour[..., 0].astype(int) - one_colour[..., 2]) > 40
    rows, columns = np.mgrid[: SIZE[1], : SIZE[0]]
    over = columns < HIPS[0] - 45 + 10 * np.abs((rows / 14) % 2 - 1)
    picture = np.where(body[..., None], np.where(over[..., None], shirt, trousers), one_colour)
    picture = cv2.GaussianBlur(picture.astype(np.uint8), (0, 0), 0.8)
    seam = FabricTracker(picture, landmarks())
    assert np.isfinite(seam.start_px[:, 0]).sum() >= 6
    assert turn_deg(seam, seam.update(*turned(picture, 6.0))) == pytest.approx(6.0, abs=0.5)


def test_cloth_that_is_gone_cannot_tell(cloth: FabricTracker) -> None:
    """Somebody stands in the way."""
    covered = person(patterned=True)
    covered[250:560, 450:850] = (90, 120, 60)
    seen = cloth.update(covered, landmarks())
    assert np.isnan(seen).all()


def test_without_landmarks_at_the_start_it_cannot_tell() -> None:
    nobody = FabricTracker(person(patterned=True), np.full((33, 2), np.nan))
    assert np.isnan(nobody.update(person(patterned=True), landmarks())).all()


def test_the_same_pictures_give_the_same_answer() -> None:
    start, later = (person(patterned=True), landmarks()), turned(person(patterned=True), 4.0)
    answers = [FabricTracker(*start).update(*later) for _ in range(2)]
    assert np.array_equal(answers[0], answers[1], equal_nan=True)
