"""Pictures of a client who lies still do not change; a limb that moves changes them."""

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from analysis.observe.movement import Movement

HEIGHT, WIDTH = 360, 640
CLIENT = np.array([60.0, 10.0, 580.0, 350.0])  # with room all round; the client is 364 px long
LIMB = slice(120, 170), slice(240, 400)
Picture = NDArray[np.uint8]


def cloth(seed: int) -> Picture:
    rough = np.random.default_rng(seed).uniform(60, 200, (HEIGHT // 6, WIDTH // 6, 3)).astype(np.float32)
    return np.asarray(
        cv2.resize(rough, (WIDTH, HEIGHT), interpolation=cv2.INTER_CUBIC).clip(0, 255), np.uint8
    )


def filmed(picture: Picture, seed: int) -> Picture:
    """With the noise of a camera in a dim room."""
    noise = np.random.default_rng(seed).normal(0, 4.0, picture.shape)
    return np.asarray((picture + noise).clip(0, 255), np.uint8)


def with_limb_moved(picture: Picture, px: int) -> Picture:
    out, (rows, columns) = picture.copy(), LIMB
    out[rows.start + px : rows.stop + px, columns] = picture[rows, columns]
    return out


def test_noise_is_no_movement() -> None:
    start = cloth(1)
    movement = Movement(filmed(start, 1), CLIENT)
    assert movement.since_start(filmed(start, 2)) < 0.004


@pytest.mark.parametrize("px", [5, 8, 12, 40])
def test_a_limb_that_moves_is_told(px: int) -> None:
    start = cloth(1)
    movement = Movement(filmed(start, 1), CLIENT)
    moved = movement.since_start(filmed(with_limb_moved(start, px), 2))
    assert moved == pytest.approx(px / 364, rel=0.25) or moved == 1.0  # as large where much was covered


def test_what_moves_beside_the_client_does_not_count() -> None:
    start = cloth(1)
    beside = start.copy()
    beside[290:, :] = cloth(2)[290:, :]
    assert Movement(start, CLIENT).since_start(beside) < 0.001


def test_a_picture_without_texture_cannot_tell() -> None:
    plain = np.full((HEIGHT, WIDTH, 3), 90, np.uint8)
    assert np.isnan(Movement(plain, CLIENT).since_start(plain))


def test_a_picture_that_shows_something_else_has_moved() -> None:
    assert Movement(cloth(1), CLIENT).since_start(cloth(2)) == 1.0
