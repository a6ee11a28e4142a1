"""Matches spots of the cloth over the pelvis with the still start.

Every picture is matched with the start itself (Lucas & Kanade 1981, IJCAI: 674, in pyramids), so that
nothing drifts. Spots are found once, at the start: two parts of a clip that start from the same picture
follow the same ones.
"""

from __future__ import annotations

from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from analysis.fabric import patch
from analysis.fabric.patch import HIPS, Floats, Image

SPOTS: Final = 64
_WORKING_TRUNK_PX: Final = 300.0  # pictures are scaled down to it: larger costs time and tells no more
_LEAST_TRUNK_PX: Final = 60.0
_WINDOW_PX: Final = 17
_LEVELS: Final = 2
_LEAST_CORNER: Final = 1e-4  # smaller eigenvalue of the structure tensor, below which cloth is plain
_APART_PX: Final = 5
_BLOCK_PX: Final = 7
_RETURN_PX: Final = 0.7  # a spot followed there and back must end where it began
_AGREE_PX: Final = 2.0  # spots of one body move alike to this
_FEWEST: Final = 5  # spots that agree; fewer say nothing
_LOOKS: Final = 3
_SETTLED_PX: Final = 1.0
_SHADING_PX: Final = 8.0  # brightness that changes over longer distances is light, not cloth
_COARSE: Final = 4  # a blur so wide needs no finer picture


NOTHING: Final = np.full((SPOTS, 2), np.nan)


class FabricTracker:
    """Follows the cloth over the pelvis from the still start on; all pictures have one size.

    start_px (SPOTS, 2): the spots in the still start [px], NaN beyond those that were found. Plain cloth
    has none, and every `update` then finds none.
    """

    def __init__(self, reference: Image, landmarks_px: Floats) -> None:
        """reference (H, W, 3) uint8 RGB, the still start; landmarks_px (33, 2) of the client in it."""
        self.start_px: Floats = np.full((SPOTS, 2), np.nan)
        self._last: Floats | None = None
        trunk = patch.trunk_px(landmarks_px)
        if not trunk >= _LEAST_TRUNK_PX:
            return
        self._hips = landmarks_px[list(HIPS)].mean(axis=0)
        self._scale = min(1.0, _WORKING_TRUNK_PX / trunk)
        self._box = patch.box(landmarks_px, *reference.shape[:2])
        left, top, right, bottom = self._box
        mask = patch.patch(reference[top:bottom, left:right], landmarks_px - (left, top))
        start = self._small(reference, np.eye(2, 3))
        self._colour = _most_varied_colour(start, mask)
        self._start = _seen_in(self._colour, start)
        self._spots = _corners(self._start, mask)
        self.start_px[: len(self._spots)] = self._to_picture(self._spots)

    def update(self, image: Image, landmarks_px: Floats) -> Floats:
        """The spots (SPOTS, 2) in the next picture (H, W, 3), NaN where lost; all, where it cannot tell.

        landmarks_px (33, 2) of the client, NaN if unknown.
        """
        if np.isnan(self.start_px[0, 0]):
            return NOTHING
        hips = landmarks_px[list(HIPS)].mean(axis=0)
        by_hips = np.column_stack([np.eye(2), np.nan_to_num(hips - self._hips)])
        for guess in [by_hips] if self._last is None else [self._last, by_hips]:
            self._last, spots = self._follow(image, guess)
            if spots is not NOTHING:
                return spots
        self._last = None
        return NOTHING

    def _follow(self, image: Image, move: Floats) -> tuple[Floats, Floats]:
        """Match the picture, taken back by `move` (2, 3), with the start; again from where that leads."""
        start = self._to_picture(self._spots)
        for _ in range(_LOOKS):
            now_small = _seen_in(self._colour, self._small(image, move))
            found, good = _matched(self._start, now_small, self._spots)
            now = _apply(move, self._to_picture(found))
            if good.sum() < _FEWEST:
                return move, NOTHING
            better, agreed = _similarity(start[good], now[good], _AGREE_PX / self._scale)
            if better is None or agreed.sum() < _FEWEST:
                return move, NOTHING
            change = np.abs(_apply(better, start) - _apply(move, start)).max()
            move = better
            if change < _SETTLED_PX / self._scale:
                break
        spots = np.full((SPOTS, 2), np.nan)
        spots[np.flatnonzero(good)] = now[good]
        return move, spots

    def _small(self, image: Image, move: Floats) -> Image:
        """The start's box in the picture, moved by `move` (2, 3) and small."""
        left, top, right, bottom = self._box
        size = (round((right - left) * self._scale), round((bottom - top) * self._scale))
        to_picture = np.array([[1 / self._scale, 0, left], [0, 1 / self._scale, top], [0, 0, 1.0]])
        back = move @ to_picture
        flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        rgb = cv2.warpAffine(image, back, size, flags=flags, borderMode=cv2.BORDER_REPLICATE)
        return np.asarray(rgb, np.uint8)

    def _to_picture(self, spots: Floats) -> Floats:
        return spots / self._scale + self._box[:2]


def _most_varied_colour(start: Image, mask: NDArray[np.bool_]) -> Floats:
    """Weights (3,) of red, green and blue in which the cloth varies most over short distances.

    Red beside green may be equally bright. The first principal axis of the colours less their
    surroundings; magnitudes add up to one, so that a difference keeps its size.
    """
    free = cv2.resize(mask.astype(np.uint8), start.shape[1::-1], interpolation=cv2.INTER_NEAREST) > 0
    colours = (start.astype(float) - _surroundings(start))[free]
    axis = np.linalg.eigh(colours.T @ colours)[1][:, -1]
    return np.asarray(axis * np.sign(axis.sum() or 1.0) / np.abs(axis).sum())


def _seen_in(colour: Floats, small: Image) -> Image:
    """One grey picture of the weights `colour` (3,), without shading."""
    grey = cv2.transform(small.astype(np.float32), colour[None])
    return np.asarray(np.clip(grey - _surroundings(grey) + 128, 0, 255), np.uint8)


def _surroundings(picture: NDArray[np.generic]) -> NDArray[np.float32]:
    """The picture blurred over `_SHADING_PX`, worked out on a smaller one."""
    share = 1 / _COARSE
    few = cv2.resize(picture.astype(np.float32), None, fx=share, fy=share, interpolation=cv2.INTER_AREA)
    blurred = cv2.GaussianBlur(few, (0, 0), _SHADING_PX * share)
    return np.asarray(cv2.resize(blurred, picture.shape[1::-1], interpolation=cv2.INTER_LINEAR))


def _apply(move: Floats, points: Floats) -> Floats:
    return np.asarray(points @ move[:, :2].T + move[:, 2])


def _similarity(start: Floats, now: Floats, agree_px: float) -> tuple[Floats | None, NDArray[np.bool_]]:
    """Move (2, 3) that most spots agree on, and which do; deterministic."""
    cv2.setRNGSeed(0)
    move, agreed = cv2.estimateAffinePartial2D(
        start, now, ransacReprojThreshold=agree_px, maxIters=200, confidence=0.99
    )
    return None if move is None else np.asarray(move, float), np.asarray(agreed).ravel() > 0


def _matched(start: Image, now: Image, spots: Floats) -> tuple[Floats, NDArray[np.bool_]]:
    """Where the spots (n, 2) of the start are now, (n, 2), and which came back to where they began."""
    before = spots.astype(np.float32).reshape(-1, 1, 2)
    found, there = _flow(start, now, before)
    again, back = _flow(now, start, found)
    off = np.linalg.norm((again - before)[:, 0], axis=1)
    return found[:, 0].astype(float), there & back & (off < _RETURN_PX)


def _flow(
    one: Image, other: Image, spots: NDArray[np.float32]
) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
    """Where the spots (n, 1, 2) of one picture are in the other, and which were found."""
    spots_there, found, _ = cv2.calcOpticalFlowPyrLK(
        one, other, spots, np.zeros_like(spots), winSize=(_WINDOW_PX, _WINDOW_PX), maxLevel=_LEVELS,
        criteria=(cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 20, 0.02),
    )  # fmt: skip
    return np.asarray(spots_there, np.float32), np.asarray(found).ravel() > 0


def _corners(start: Image, mask: NDArray[np.bool_]) -> Floats:
    """Spots (n, 2) of the small start that can be told apart from their surroundings in both directions."""
    free = cv2.resize(mask.astype(np.uint8), start.shape[1::-1], interpolation=cv2.INTER_NEAREST)
    rough = free * (cv2.cornerMinEigenVal(start, _BLOCK_PX) > _LEAST_CORNER)
    found = cv2.goodFeaturesToTrack(
        start, SPOTS, 0.01, _APART_PX, mask=rough.astype(np.uint8), blockSize=_BLOCK_PX
    )
    return np.zeros((0, 2)) if found is None else found[:, 0].astype(float)
