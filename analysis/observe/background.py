"""Light, and whether the camera moved: what is around the client rather than the client."""

from __future__ import annotations

from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

from analysis.landmarks import Floats, Image
from analysis.observe.shrink import halved

_LEAST_HEIGHT_PX: Final = 135  # of the small grey picture: a shift of 1 % of the height is 1.4 px or more
_FLOW: Final[dict[str, Any]] = {
    "winSize": (15, 15),
    "maxLevel": 2,
    "criteria": (3, 10, 0.03),
}  # coarse: 1 % is enough
_SPOTS: Final = 60
_LEAST_CORNER: Final = 0.005  # share of the best corner: a blurred floor must do
_ROOM: Final = 0.16  # of the longer side of the box: most of the room that the survey leaves round the client
_ENOUGH: Final = 8  # spots at the start; fewer cannot tell the camera's movement from one moving thing
# A camera that moves takes all spots along; in a plain room most of them lie on the client or in a shadow. So
# the camera moved no further than the calmest of those found again: this share of them, and two at least.
_CALM_SHARE: Final = 0.2
_FEWEST_CALM: Final = 2
# A spot that, followed back, is not where it started was covered (Kalal 2010, Forward-backward error).
_BACK_PX: Final = 1.0


class Background:
    """Follows spots of the background from the still start."""

    def __init__(self, reference: Image, client: Floats | None) -> None:
        """reference (H, W, 3) uint8 RGB; client: the box to leave out, with room all round [px]."""
        self._start = _small_grey(reference)
        around = np.full(self._start.shape, 255, np.uint8)
        if client is not None:
            # The room may be all that is seen of the background.
            room = _ROOM * (client[2:] - client[:2]).max()
            box = (client + room * np.array([1, 1, -1, -1])) * self._start.shape[0] / reference.shape[0]
            left, top, right, bottom = np.maximum(box, 0).astype(int)
            around[top:bottom, left:right] = 0
        spots = cv2.goodFeaturesToTrack(self._start, _SPOTS, _LEAST_CORNER, 8, mask=around)
        self._spots = np.zeros((0, 1, 2), np.float32) if spots is None else spots

    def shift(self, image: Image) -> float:
        """Movement of the background since the start, as a share of the height; NaN where it cannot tell."""
        if len(self._spots) < _ENOUGH:
            return np.nan
        grey = _small_grey(image)
        now, followed, _ = cv2.calcOpticalFlowPyrLK(self._start, grey, self._spots, None, **_FLOW)
        back, returned, _ = cv2.calcOpticalFlowPyrLK(grey, self._start, now, None, **_FLOW)
        again = np.linalg.norm((back - self._spots)[:, 0], axis=1) < _BACK_PX
        found = (followed.ravel() == 1) & (returned.ravel() == 1) & again
        moved_px = np.sort(np.linalg.norm((now - self._spots)[found, 0], axis=1))
        if len(moved_px) < _FEWEST_CALM:
            return np.nan
        return float(moved_px[max(_FEWEST_CALM - 1, int(_CALM_SHARE * len(moved_px)))] / len(self._start))


def brightness(image: Image) -> float:
    """Mean luma of a picture, 0..1 (weights of ITU-R BT.601)."""
    return float(np.dot(cv2.mean(image[::4, ::4])[:3], (0.299, 0.587, 0.114)) / 255)


def _small_grey(image: Image) -> NDArray[np.uint8]:
    times = int(np.log2(max(1.0, image.shape[0] / _LEAST_HEIGHT_PX)))
    return np.asarray(cv2.cvtColor(halved(image, times), cv2.COLOR_RGB2GRAY), np.uint8)
