"""How far a client moved, told by the pictures alone.

The pose model guesses hidden limbs anew in every picture; what the pictures show of a client who lies still
does not change.
"""

from __future__ import annotations

from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

from analysis.landmarks import Floats, Image

Flow = NDArray[np.integer[Any] | np.floating[Any]]

_CLIENT_PX: Final = 300.0  # the client's longer side when looked at
_MARGIN: Final = 0.15  # of the longer side of the survey's box: room round the client that shows nothing
_BACK_PX: Final = 1.0  # what is followed there and back must end where it began
_LEAST_TEXTURE: Final = 1.0  # grey values a pixel: less cannot be followed
_LEAST_CONTRAST: Final = 8.0  # grey values: a difference may be noise up to there
_NEAR_PX: Final = 3.0
_LIGHT_PX: Final = 20.0  # what differs over longer distances is light
_ENOUGH: Final = 0.2  # of the picture has texture; rendered people in dim rooms show 0.4 or more
_FARTHEST: Final = 0.01  # of the picture moves: less of it lost its way
# Of what has texture, not found again: in 179 of 180 rendered clips of people who lie still up to 0.074.
_LOST: Final = 0.08


class Movement:
    """Compares pictures with the still start; all have one size."""

    def __init__(self, reference: Image, client: Floats) -> None:
        """reference (H, W, 3) uint8 RGB; client: the survey's box of the client in it (4,) [px]."""
        longer = float((client[2:] - client[:2]).max())
        room = _MARGIN * longer * np.array([1, 1, -1, -1])
        left, top, right, bottom = np.maximum(client + room, 0).astype(int).tolist()
        self._box = slice(top, max(bottom, top + 1)), slice(left, max(right, left + 1))
        self._zoom = _CLIENT_PX / max(longer * (1 - 2 * _MARGIN), 1.0)
        self._flow = cv2.DISOpticalFlow.create(cv2.DISOPTICAL_FLOW_PRESET_FAST)
        self._start = self._grey(reference)
        across, down = (cv2.Sobel(self._start, cv2.CV_32F, *order) for order in ((1, 0), (0, 1)))
        self._textured = _around(np.hypot(across, down) / 8) >= _LEAST_TEXTURE
        start = self._start.astype(np.float32)
        self._contrast = np.maximum(np.sqrt(_around((start - _around(start)) ** 2)), _LEAST_CONTRAST)

    def since_start(self, image: Image) -> float:
        """How far the parts moved that moved most, as a share of the client's longer side.

        1 where too much is not found again; NaN where the start is too plain to tell.
        """
        if self._textured.mean() < _ENOUGH:
            return np.nan
        now = self._grey(image)
        there = self._flow.calc(self._start, now, np.zeros((*now.shape, 2), np.float32))
        back = self._flow.calc(now, self._start, np.zeros_like(there))
        found = self._textured & _returned(there, back) & self._alike(now, there)
        if found.sum() < (1 - _LOST) * self._textured.sum():
            return 1.0
        moved = np.where(found, np.linalg.norm(there, axis=2), 0.0)
        return float(np.quantile(moved, 1 - _FARTHEST) / _CLIENT_PX)

    def _alike(self, now: NDArray[np.uint8], there: Flow) -> NDArray[np.bool_]:
        """Where the picture (H, W), taken back, shows what the start shows, light or dark."""
        taken_back = _taken_back(now.astype(np.float32), there)
        apart = taken_back - self._start - _around(taken_back - self._start, _LIGHT_PX)
        return np.asarray(np.sqrt(_around(apart**2)) <= self._contrast)

    def _grey(self, image: Image) -> NDArray[np.uint8]:
        grey = cv2.cvtColor(np.ascontiguousarray(image[self._box]), cv2.COLOR_RGB2GRAY)
        size = (max(16, round(self._zoom * s)) for s in grey.shape[1::-1])
        return np.asarray(cv2.resize(grey, tuple(size), interpolation=cv2.INTER_AREA), np.uint8)


def _returned(there: Flow, back: Flow) -> NDArray[np.bool_]:
    """Which pixels (H, W), followed there and back, end where they began."""
    return np.asarray(np.linalg.norm(there + _taken_back(back, there), axis=2) <= _BACK_PX)


def _taken_back(values: NDArray[Any], there: Flow) -> NDArray[Any]:
    """Values (H, W, ...) of where each pixel went."""
    rows, columns = np.mgrid[: there.shape[0], : there.shape[1]].astype(np.float32)
    return np.asarray(cv2.remap(values, columns + there[..., 0], rows + there[..., 1], cv2.INTER_LINEAR))


def _around(values: NDArray[Any], px: float = _NEAR_PX) -> NDArray[np.float32]:
    return np.asarray(cv2.GaussianBlur(values, (0, 0), px), np.float32)
