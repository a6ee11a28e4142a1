"""Pictures of the printed cards with exact turns, projected independently of the code under test."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from analysis.card import board_image, faces_cm, mat_board_image

Image = NDArray[np.uint8]
PX_PER_CM = 20

# A card held upright before the camera: its x right, its y up, its ridge towards the camera.
FACING = Rotation.from_matrix(np.diag([1.0, -1.0, -1.0]))


@dataclass(frozen=True)
class Shot:
    """How a picture is taken; the defaults are a phone at 720p in a lit room."""

    focal: float = 0.85 * 1280
    size: tuple[int, int] = (1280, 720)
    blur_px: float = 0.7
    motion_px: int = 0
    noise: float = 4.0
    black: float = 35.0
    white: float = 215.0
    quality: int = 60
    seed: int = 0


@dataclass(frozen=True)
class Placed:
    """A card in camera axes (x right, y down, z away) [cm]."""

    rotation: Rotation
    at_cm: tuple[float, float, float]
    mat: bool = False
    slope_deg: float = 40.0

    def turned(self, turn: Rotation, move_cm: tuple[float, float, float] = (0, 0, 0)) -> Placed:
        """The card after a turn about the camera's axes and a move."""
        at = (self.at_cm[0] + move_cm[0], self.at_cm[1] + move_cm[1], self.at_cm[2] + move_cm[2])
        return replace(self, rotation=turn * self.rotation, at_cm=at)


def photograph(
    cards: list[Placed], shot: Shot | None = None, cover: tuple[slice, slice] | None = None
) -> Image:
    """The picture (H, W, 3) uint8 RGB of the cards in a cluttered room; `cover` hides a part of it."""
    shot = shot or Shot()
    rng = np.random.default_rng(shot.seed)
    width, height = shot.size
    clutter = rng.normal(110, 35, (height // 12, width // 12)).astype(np.float32)
    picture = cv2.resize(clutter, shot.size, interpolation=cv2.INTER_CUBIC)
    for card in cards:
        _paste(picture, card, shot)
    if cover is not None:
        picture[cover] = 120
    picture = cv2.GaussianBlur(picture, (0, 0), shot.blur_px)
    if shot.motion_px:
        picture = cv2.blur(picture, (shot.motion_px, 1))
    picture = np.clip(picture + rng.normal(0, shot.noise, picture.shape), 0, 255).astype(np.uint8)
    coded = cv2.imencode(".jpg", cv2.merge([picture] * 3), [cv2.IMWRITE_JPEG_QUALITY, shot.quality])[1]
    return np.asarray(cv2.imdecode(coded, cv2.IMREAD_COLOR))


def pixels(card: Placed, points_cm: NDArray[np.float64], shot: Shot) -> NDArray[np.float64]:
    """Pixels (N, 2) of points (N, 3) in the card's frame; a pixel's middle is at whole numbers."""
    camera = card.rotation.apply(points_cm) + card.at_cm
    centre = (np.array(shot.size) - 1) / 2
    return shot.focal * camera[:, :2] / camera[:, 2:] + centre


def _paste(picture: NDArray[np.float32], card: Placed, shot: Shot, fine: int = 4) -> None:
    """Draw the faces that the camera sees, averaged from `fine`-times smaller pixels."""
    sheet = mat_board_image(PX_PER_CM) if card.mat else board_image(PX_PER_CM)
    half = sheet.shape[1] // 2
    middle = pixels(card, np.zeros((1, 3)), shot)[0]
    reach = int(14 * shot.focal / card.at_cm[2]) + 2
    x0, y0 = np.maximum(middle.astype(int) - reach, 0)
    x1, y1 = np.minimum(middle.astype(int) + reach, shot.size)
    region = picture[y0:y1, x0:x1]
    big = cv2.resize(region, None, fx=fine, fy=fine, interpolation=cv2.INTER_NEAREST)
    for side, corners in enumerate(faces_cm(card.slope_deg)):
        seen = card.rotation.apply(corners) + card.at_cm
        if np.cross(seen[1] - seen[0], seen[3] - seen[0]) @ seen[0] < 0:
            continue
        texture = sheet[:, side * half : (side + 1) * half].astype(np.float32) / 255
        h, w = texture.shape
        source = np.array([[0, 0], [w, 0], [w, h], [0, h]], np.float32) - 0.5
        target = (pixels(card, corners, shot) - [x0, y0] + 0.5) * fine - 0.5
        warp = cv2.getPerspectiveTransform(source, target.astype(np.float32))
        inside = cv2.warpPerspective(np.ones_like(texture), warp, big.shape[::-1], flags=cv2.INTER_NEAREST)
        drawn = cv2.warpPerspective(texture, warp, big.shape[::-1], borderMode=cv2.BORDER_REPLICATE)
        big[inside > 0] = (shot.black + (shot.white - shot.black) * drawn)[inside > 0]
    region[:] = cv2.resize(big, region.shape[::-1], interpolation=cv2.INTER_AREA)
