"""The cloth over the pelvis, in pictures drawn and turned by known angles."""

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

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


@pytest.fixture(scope="module")
def cloth() -> FabricTracker:
    return FabricTracker(person(patterned=True), landmarks())


@pytest.mark.parametrize("clockwise_deg", [-12.0, -5.0, -1.0, 0.0, 2.0, 8.0])
def test_a_turn_is_read_with_its_sign(cloth: FabricTracker, clockwise_deg: float) -> None:
    seen = cloth.update(*turned(person(patterned=True), clockwise_deg))
    assert seen.turn_deg == pytest.approx(clockwise_deg, abs=0.3)
    assert seen.trust > 0.8


def test_a_move_without_a_turn_is_none(cloth: FabricTracker) -> None:
    seen = cloth.update(*turned(person(patterned=True), 0.0, move=(14, -9)))
    assert seen.turn_deg == pytest.approx(0.0, abs=0.3)
    shift = np.nanmedian(seen.spots_px - cloth.start_px, axis=0)
    assert shift == pytest.approx([14, -9], abs=0.5)


def test_nothing_drifts_over_many_pictures(cloth: FabricTracker) -> None:
    """Each picture is matched with the start itself, so there and back ends where it began."""
    turns = (*range(0, 10), *range(9, -1, -1))
    told = [cloth.update(*turned(person(patterned=True), deg)).turn_deg for deg in turns]
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
    assert (seen.trust, np.isnan(seen.turn_deg)) == (0.0, True)
    assert seen is NOTHING


def test_cloth_that_is_gone_cannot_tell(cloth: FabricTracker) -> None:
    """Somebody stands in the way."""
    covered = person(patterned=True)
    covered[250:560, 450:850] = (90, 120, 60)
    seen = cloth.update(covered, landmarks())
    assert (seen.trust, np.isnan(seen.turn_deg)) == (0.0, True)


def test_without_landmarks_at_the_start_it_cannot_tell() -> None:
    nobody = FabricTracker(person(patterned=True), np.full((33, 2), np.nan))
    assert nobody.update(person(patterned=True), landmarks()).trust == 0.0


def test_the_same_pictures_give_the_same_answer() -> None:
    start, later = (person(patterned=True), landmarks()), turned(person(patterned=True), 4.0)
    answers = [FabricTracker(*start).update(*later) for _ in range(2)]
    assert answers[0].turn_deg == answers[1].turn_deg
    assert np.array_equal(answers[0].spots_px, answers[1].spots_px, equal_nan=True)
