"""The part of a picture round the pelvis, cut out alike at the far ends of all repetitions."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from analysis.landmarks import HIPS, SHOULDERS
from analysis.records import Floats

Image = NDArray[np.uint8]

PX_PER_SCALE: Final = 480.0  # about 3.5 px a centimetre
CELL_PX: Final = 4
# Cells along the trunk, from the thighs towards the head, and across it; where the first one begins, from the
# hips.
CELLS: Final = (84, 60)
_FIRST: Final = (-0.30, -0.25)  # shares of the scale
_LEAST_TRUNK: Final = 0.05  # of the scale: seen from the feet it is short
_DEVIATION: Final = 45.0  # of the grey values after the contrast is made alike
_FAINT: Final = 4.0  # contrast that is not drawn out any further


@dataclass(frozen=True, eq=False)
class Window:
    """Where to cut: hips (2,) [px]; rows of `axes` (2, 2): directions in the picture, along the trunk towards
    the head and across it; `scale` [px]: picture length of trunk, thigh and shank together."""

    hips: Floats
    axes: Floats
    scale: float

    def cut(self, picture: Image) -> Image:
        """Grey values (240, 336) of a picture (H, W, 3) uint8 RGB; black outside of it."""
        grey = cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY)
        zoom = PX_PER_SCALE / self.scale
        linear = zoom * self.axes
        affine = np.column_stack([linear, -linear @ self.hips - PX_PER_SCALE * np.array(_FIRST)])
        size = (CELLS[0] * CELL_PX, CELLS[1] * CELL_PX)
        return _contrast(np.asarray(cv2.warpAffine(grey, affine, size, flags=cv2.INTER_LINEAR), np.uint8))

    def place(self, px: Floats) -> Floats:
        """Points (..., 2) [px] as shares of the scale along and across the trunk, from the hips."""
        return np.asarray((px - self.hips) @ self.axes.T / self.scale)


def window(landmarks_px: Floats, scale: float) -> Window | None:
    """The window for some pictures; landmarks (n, 33, 2) [px]. None where the client was not seen."""
    hips, shoulders = (np.median(landmarks_px[:, list(k)].mean(axis=1), axis=0) for k in (HIPS, SHOULDERS))
    trunk = float(np.linalg.norm(shoulders - hips))
    if not trunk > _LEAST_TRUNK * scale:
        return None
    along = (shoulders - hips) / trunk
    return Window(hips, np.array([along, [-along[1], along[0]]]), scale)


def centres() -> Floats:
    """Places (84, 60, 2) of the cells, as `Window.place` tells them."""
    along, across = (
        (np.arange(n) + 0.5) * CELL_PX / PX_PER_SCALE + f for n, f in zip(CELLS, _FIRST, strict=True)
    )
    return np.stack(np.meshgrid(along, across, indexing="ij"), axis=2)


def _contrast(grey: Image) -> Image:
    """Grey values spread alike in light and dim pictures."""
    level, spread = float(grey.mean()), max(float(grey.std()), _FAINT)
    stretched = 128.0 + (grey.astype(np.float32) - level) * (_DEVIATION / spread)
    return np.asarray(np.clip(stretched, 0, 255), np.uint8)
