"""Where in the still start the cloth over the pelvis is: on the client, off the arms, thighs and belly."""

from __future__ import annotations

from itertools import pairwise
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

Image = NDArray[np.uint8]
Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

SHOULDERS: Final = (11, 12)
HIPS: Final = (23, 24)
_THIGHS: Final = ((23, 25), (24, 26))
_ARMS: Final = ((11, 13, 15, 19), (12, 14, 16, 20))
_TRUNK: Final = ((11, 23), (12, 24), (23, 24), (11, 24), (12, 23))
_BODY: Final = (*_TRUNK, *_THIGHS, (25, 27), (26, 28), *(pair for arm in _ARMS for pair in pairwise(arm)))

# Shape of the patch as shares of the trunk's length in the picture, which is about 50 cm.
_ABOVE: Final = 0.32  # up to the crest of the pelvis and the waist; the belly begins there
_FROM: Final = -0.12  # a little below the hip joints
_BESIDE: Final = 0.2
_THIGH_FROM: Final = 0.1  # along the thigh from the hip joint
_THIGH_ASIDE: Final = 0.2
_ARM_ASIDE: Final = 0.1

# Thickness of the body for the cut-out: surely inside, perhaps inside, perhaps outside.
_CORE: Final = 0.12
_LIKELY: Final = 0.5
_POSSIBLE: Final = 0.75
_SMALL_TRUNK_PX: Final = 150.0  # the cut-out works on a small picture
_EDGE: Final = 0.035  # of the trunk: cloth this near the outline shows the background moving


def trunk_px(landmarks_px: Floats) -> float:
    """Length of the trunk in the picture [px], from mid-shoulders to mid-hips."""
    return float(np.linalg.norm(_middle(landmarks_px, SHOULDERS) - _middle(landmarks_px, HIPS)))


def box(landmarks_px: Floats, height: int, width: int) -> tuple[int, int, int, int]:
    """Left, top, right and bottom of what is cut out round the hips [px]."""
    reach = 0.7 * trunk_px(landmarks_px)
    hips = landmarks_px[list(HIPS)]
    left, top = np.maximum(hips.min(axis=0) - reach, 0).astype(int)
    right, bottom = np.minimum(hips.max(axis=0) + reach, (width, height)).astype(int)
    return int(left), int(top), int(right), int(bottom)


def patch(picture: Image, landmarks_px: Floats) -> Mask:
    """Mask (H, W) of the cloth over the pelvis in a picture (H, W, 3); landmarks (33, 2) in its pixels."""
    rows, columns = np.mgrid[: picture.shape[0], : picture.shape[1]]
    at = np.stack([columns, rows], axis=-1).astype(float)
    trunk = trunk_px(landmarks_px)
    return over_pelvis(at, landmarks_px, trunk) & _client(picture, landmarks_px, trunk)


def over_pelvis(at: Floats, landmarks_px: Floats, trunk: float) -> Mask:
    """Which points (..., 2) of the picture lie over the pelvis, off the thighs and arms."""
    inside = _between_hips_and_waist(at, landmarks_px, trunk)
    for a, b in _THIGHS:
        inside &= ~_on_thigh(at, landmarks_px[a], landmarks_px[b], trunk)
    for arm in _ARMS:
        for a, b in pairwise(arm):
            inside &= _distance(at, landmarks_px[a], landmarks_px[b]) > _ARM_ASIDE * trunk
    return inside


def _middle(landmarks_px: Floats, pair: tuple[int, int]) -> Floats:
    return np.asarray(landmarks_px[list(pair)].mean(axis=0))


def _between_hips_and_waist(at: Floats, landmarks_px: Floats, trunk: float) -> Mask:
    """Between the hips and the crest of the pelvis, as wide as the hips and their flesh."""
    middle = _middle(landmarks_px, HIPS)
    up = (_middle(landmarks_px, SHOULDERS) - middle) / trunk
    aside = np.array([-up[1], up[0]])
    half = np.abs((landmarks_px[list(HIPS)] - middle) @ aside).max() + _BESIDE * trunk
    along, across = (at - middle) @ up, (at - middle) @ aside
    return np.asarray((along > _FROM * trunk) & (along < _ABOVE * trunk) & (np.abs(across) < half))


def _on_thigh(at: Floats, hip: Floats, knee: Floats, trunk: float) -> Mask:
    length = max(float(np.linalg.norm(knee - hip)), 1.0)
    if length < _THIGH_FROM * trunk:
        return np.zeros(at.shape[:-1], bool)  # pointing at the camera: its direction says nothing
    along = (knee - hip) / length
    beside = np.abs((at - hip) @ np.array([-along[1], along[0]]))
    return np.asarray(((at - hip) @ along > _THIGH_FROM * trunk) & (beside < _THIGH_ASIDE * trunk))


def _distance(at: Floats, a: Floats, b: Floats) -> Floats:
    """Distance of points (..., 2) to the line from a to b, (...)."""
    along = np.clip((at - a) @ (b - a) / max(float((b - a) @ (b - a)), 1e-9), 0, 1)
    return np.asarray(np.linalg.norm(at - a - along[..., None] * (b - a), axis=-1))


def _client(picture: Image, landmarks_px: Floats, trunk: float) -> Mask:
    """The client cut out of the picture by colour, less a rim.

    Graph cuts (Rother, Kolmogorov & Blake 2004, ACM TOG 23:309), started from the landmarks.
    """
    scale = min(1.0, _SMALL_TRUNK_PX / trunk)
    small = cv2.resize(picture, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    guess = np.full(small.shape[:2], cv2.GC_BGD, np.uint8)
    for share, label in ((_POSSIBLE, cv2.GC_PR_BGD), (_LIKELY, cv2.GC_PR_FGD), (_CORE, cv2.GC_FGD)):
        for a, b in _BODY:
            thick = share * trunk * scale * (1.0 if (a, b) in (*_TRUNK, *_THIGHS) else 0.5)
            ends = (np.round(landmarks_px[[a, b]] * scale).astype(int)).tolist()
            cv2.line(guess, ends[0], ends[1], label, max(1, round(thick)))
    cv2.setRNGSeed(0)  # its colour clusters start at random: the same picture must give the same spots
    colours = np.zeros((2, 1, 65))
    cv2.grabCut(small, guess, (0, 0, 0, 0), colours[0], colours[1], 3, cv2.GC_INIT_WITH_MASK)
    inside = np.isin(guess, (cv2.GC_FGD, cv2.GC_PR_FGD)).astype(np.uint8)
    rim = max(1, round(_EDGE * trunk * scale))
    core = cv2.erode(inside, np.ones((2 * rim + 1, 2 * rim + 1), np.uint8), borderValue=1)
    size = (picture.shape[1], picture.shape[0])
    return np.asarray(cv2.resize(core, size, interpolation=cv2.INTER_NEAREST) > 0)
