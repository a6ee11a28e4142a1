"""Blurs faces beyond recovery: where the face may be is decided by what was seen, and by doubt."""

from typing import Final

import cv2
import numpy as np

from analysis.records import Floats, Observations
from analysis.video import Image

FACE: Final = slice(0, 11)  # landmarks of nose, eyes, ears, mouth
SHOULDERS: Final = (11, 12)
TRUSTED_FOR_S: Final = 1.0  # a head seen longer ago may have moved anywhere
BLOCKS: Final = 5  # a face keeps so many blocks each way: no features survive
PICTURE_BLOCKS: Final = 24  # the same for a whole picture


class FaceBlur:
    """Blurs the client's head in pictures of the clip that the observations are of.

    The whole picture is blurred where the head has not been seen for a second, and where more than one
    person is in view, since only the client's head is followed.
    """

    def __init__(self, observations: Observations) -> None:
        points = observations.landmarks_px
        centre = points[:, FACE].mean(axis=1)  # (T, 2)
        spread = np.linalg.norm(points[:, FACE] - centre[:, None], axis=2).max(axis=1)
        neck = np.linalg.norm(points[:, SHOULDERS].mean(axis=1) - centre, axis=1)
        self._heads = np.column_stack((centre, np.fmax(2.2 * spread, 0.75 * neck)))  # (T, 3) x, y, radius
        self._seen = np.isfinite(self._heads).all(axis=1)
        self._crowd_s = observations.time_s[observations.people > 1]
        self._time_s = observations.time_s
        self._height = observations.height

    def __call__(self, image: Image, time_s: float) -> None:
        """Blur the head in a picture taken at `time_s`, in place."""
        if self._doubtful(time_s):
            image[:] = _blocks(image, PICTURE_BLOCKS)
        else:
            _blur_disc(image, *self._head(time_s) * (image.shape[0] / self._height))

    def _doubtful(self, time_s: float) -> bool:
        return _nearest(self._crowd_s, time_s) < TRUSTED_FOR_S or (
            _nearest(self._time_s[self._seen], time_s) > TRUSTED_FOR_S
        )

    def _head(self, time_s: float) -> Floats:
        known_s, heads = self._time_s[self._seen], self._heads[self._seen]
        return np.array([np.interp(time_s, known_s, column) for column in heads.T])


def _nearest(times_s: Floats, time_s: float) -> float:
    """How far the nearest of the times is [s]; infinite when there is none."""
    return float(np.abs(times_s - time_s).min(initial=np.inf))


def _blocks(image: Image, count: int) -> Image:
    height, width = image.shape[:2]
    coarse = cv2.resize(image, (count, max(1, round(count * height / width))), interpolation=cv2.INTER_AREA)
    return np.asarray(cv2.resize(coarse, (width, height), interpolation=cv2.INTER_LINEAR), np.uint8)


def _blur_disc(image: Image, x: float, y: float, radius: float) -> None:
    height, width = image.shape[:2]
    left, right = (int(np.clip(v, 0, width)) for v in (x - radius, x + radius + 1))
    top, bottom = (int(np.clip(v, 0, height)) for v in (y - radius, y + radius + 1))
    if right <= left or bottom <= top:
        return  # the head is out of the picture
    part = image[top:bottom, left:right]
    rows, columns = np.ogrid[top:bottom, left:right]
    inside = (columns - x) ** 2 + (rows - y) ** 2 <= radius**2
    part[inside] = _blocks(part, BLOCKS)[inside]
