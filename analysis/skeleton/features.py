"""Numbers that describe what the pose model saw, for the corrector: independent of picture size and place.

Each frame is described together with its clip: the still start and the usual picture length of every
segment tell how the client lies to the phone, which a frame alone cannot.
"""

from __future__ import annotations

from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from analysis.records import Floats
from analysis.skeleton.rotations import unit

Lies = Literal["supine", "side_lying", "kneeling"]
LIES: Final[tuple[Lies, ...]] = ("supine", "side_lying", "kneeling")

# Landmarks of the pose model that carry information about trunk and legs, in left-right pairs.
USED: Final = (0, 7, 8, 11, 12, 13, 14, 15, 16, 23, 24, 25, 26, 27, 28, 29, 30, 31, 32)
MIRRORED: Final = (0, 8, 7, 12, 11, 14, 13, 16, 15, 24, 23, 26, 25, 28, 27, 30, 29, 32, 31)
_SEGMENTS: Final = (
    (11, 23),
    (12, 24),
    (23, 25),
    (24, 26),
    (25, 27),
    (26, 28),
    (11, 12),
    (23, 24),
    (27, 31),
    (28, 32),
)
STILL_START_S: Final = 0.8  # the client lies still before the first repetition


def _at(points: Floats, k: int) -> Floats:
    return points[:, USED.index(k)]


def scale_of(px: Floats) -> float:
    """Usual length in the picture of trunk, thigh and shank together [px]; constant over the clip."""
    lengths = [np.linalg.norm(_at(px, a) - _at(px, b), axis=1) for a, b in _SEGMENTS[:6]]
    return float(np.nanmedian(np.sum(lengths, axis=0)) / 2)


def picture_scale(landmarks_px: Floats) -> float:
    """Half the usual length of trunk, thigh and shank of both sides together, landmarks (T, 33, 2) [px]."""
    return scale_of(landmarks_px[:, USED])


def _segment_lengths(px: Floats) -> Floats:
    """Shares (10 x 3) of the scale: short, usual and long picture length of each segment over the clip."""
    lengths = np.stack([np.linalg.norm(_at(px, a) - _at(px, b), axis=1) for a, b in _SEGMENTS])
    return np.asarray(np.nanquantile(lengths, [0.1, 0.5, 0.9], axis=1), float).ravel()


def _mid(points: Floats, a: int, b: int) -> Floats:
    return 0.5 * np.asarray(_at(points, a) + _at(points, b))


def _mat_axes(start_cm: Floats) -> Floats:
    """Rows: the mat frame's X, Y, Z in the pose model's own axes, from the still start (19, 3)."""
    p = start_cm[None]
    y = unit(_mid(p, 11, 12) - _mid(p, 23, 24))[0]
    across = (unit(_at(p, 24) - _at(p, 23)) + unit(_at(p, 12) - _at(p, 11)))[0]
    z = unit(across - (across @ y) * y)
    return np.stack([np.cross(y, z), y, z])


def guessed_directions(cm: Floats, start_cm: Floats) -> Floats:
    """The pose model's own segment directions (T, 33) in the mat frame: right up to its errors.

    Landmarks cm (T, 19, 3), and in the still start (19, 3).
    """
    axes = _mat_axes(start_cm)
    pairs = [_at(cm, a) - _at(cm, b) for a, b in _SEGMENTS]
    trunk = _mid(cm, 11, 12) - _mid(cm, 23, 24)
    return np.concatenate([unit(v) @ axes.T for v in [trunk, *pairs]], axis=1)


def _picture_directions(px: Floats, scale: float) -> Floats:
    """Direction and length (T, 30) of the segments in the picture."""
    out = []
    for a, b in _SEGMENTS:
        v = (_at(px, a) - _at(px, b)) / scale
        out += [unit(v), np.linalg.norm(v, axis=1, keepdims=True)]
    return np.concatenate(out, axis=1)


def start_frames(time_s: Floats) -> NDArray[np.bool_]:
    """Which frames belong to the still start (T,) bool; at least the first."""
    return np.asarray(time_s - time_s[0] <= STILL_START_S)


def describe(
    time_s: Floats, px: Floats, cm: Floats, visibility: Floats, lies: Lies, picture: tuple[int, int]
) -> Floats:
    """Features (T, F) of a clip; rows of frames without a person are NaN.

    px (T, 33, 2) in the upright picture, cm (T, 33, 3) hip-centred, visibility (T, 33).
    """
    px, cm, seen = px[:, USED, :2], cm[:, USED] / 100, visibility[:, USED]
    scale, start, hips = scale_of(px), seen_start(time_s, px), _mid(px, 23, 24)
    moved = (hips - np.nanmedian(hips[start], axis=0)) / scale
    rows = [
        ((px - hips[:, None]) / scale).reshape(len(px), -1), cm.reshape(len(px), -1), seen, moved,
        guessed_directions(cm, np.nanmedian(cm[start], axis=0)), _picture_directions(px, scale),
    ]  # fmt: skip
    clip = clip_features(time_s, px, cm, seen, lies, picture)
    return np.column_stack([*rows, np.tile(clip, (len(px), 1))])


def clip_features(
    time_s: Floats, px: Floats, cm: Floats, seen: Floats, lies: Lies, picture: tuple[int, int]
) -> Floats:
    """What is the same in all frames (C,): how the client lies to the phone; landmarks (T, 19, ...)."""
    scale, start = scale_of(px), seen_start(time_s, px)
    anchor = np.nanmedian(_mid(px, 23, 24)[start], axis=0)
    start_px = (np.nanmedian(px[start], axis=0) - anchor) / scale
    start_cm = np.nanmedian(cm[start], axis=0)
    size = np.array(picture, float)
    return np.concatenate([
        start_px.ravel(), start_cm.ravel(), np.nanmedian(seen, axis=0), _segment_lengths(px / scale),
        (anchor - size / 2) / size.max(), [scale / size.max()], [float(lies == k) for k in LIES],
    ])  # fmt: skip


def seen_start(time_s: Floats, px: Floats) -> NDArray[np.bool_]:
    """The frames (T,) of the still start in which somebody is seen, else all such; landmarks (T, 19, 2)."""
    seen = np.isfinite(px[:, 0, 0])
    start = start_frames(time_s) & seen
    return start if start.any() else seen


def mirror(px: Floats, cm: Floats, visibility: Floats, width: int) -> tuple[Floats, Floats, Floats]:
    """The same client seen in a mirror: left and right exchanged."""
    order = np.arange(33)
    order[list(USED)] = MIRRORED
    flipped_px = np.array(px[:, order])
    flipped_px[..., 0] = width - flipped_px[..., 0]
    flipped_cm = np.array(cm[:, order])
    flipped_cm[..., 0] *= -1
    return flipped_px, flipped_cm, visibility[:, order]
