"""Numbers that describe how the cloth over the pelvis moved, for the learned reading of the pelvis.

Everything is told in the mat frame: a shift in the picture becomes one along the mat's axes, a turn of the
picture one about the line of sight. So the same numbers mean the same wherever the phone stands.
"""

from __future__ import annotations

from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from analysis.records import LANDMARKS, Floats, Observations, Skeleton
from analysis.skeleton.features import LIES, Lies, picture_scale, start_frames

FEWEST: Final = 6  # spots for a turn, a stretch and a shift
_FEWEST_OF_HALF: Final = 4
_AGREE_PX: Final = 4.0  # spots of one body move alike to this
_ENOUGH: Final = 40
_FOLLOWED: Final = (("hip_left", "hip_right"), ("shoulder_left", "shoulder_right"), ("knee_left",),
                    ("knee_right",))  # fmt: skip
_SHOWN: Final = ("trunk", "thigh_left", "thigh_right")
_SEGMENTS: Final = (*_SHOWN, "shank_left", "shank_right")
# Features of about the same size learn better: radians, and shares of the body's length in the picture.
_PER_TURN, _PER_SHIFT, _PER_STRETCH, _PER_LANDMARK, _PER_DIRECTION = 3.0, 10.0, 5.0, 5.0, 2.0
_TURN, _STRETCH, _SHIFT, _UPPER, _LOWER = 0, slice(1, 4), slice(4, 6), 6, 9


def describe(observations: Observations, body: Skeleton, camera: Floats, lies: Lies) -> Floats:
    """Features (T, 95) of the clip; NaN in frames in which the cloth cannot be read.

    camera (3, 3): mat frame to camera axes (x right, y down, z away).
    """
    t, px = observations.time_s, observations.landmarks_px
    scale, start = picture_scale(px), start_frames(t)
    spots = spot_motion(observations, _towards_head(px[start]), scale)
    landmarks = [_mean(px, names) / scale for names in _FOLLOWED]
    directions = [body.directions[name] for name in _SEGMENTS]
    clip = np.concatenate([
        camera.ravel(), [float(lies == k) for k in LIES], _place(observations, scale),
        *(np.nanmedian(d[start], axis=0) for d in directions),
    ])  # fmt: skip
    return np.column_stack([
        _on_mat(_since(start, spots), camera), np.ones(len(t)),
        *(_PER_LANDMARK * _shift(_since(start, x), camera) for x in landmarks),
        *directions[: len(_SHOWN)], *(_PER_DIRECTION * _since(start, d) for d in directions),
        np.tile(clip, (len(t), 1)),
    ])  # fmt: skip


def start_is_seen(observations: Observations, body: Skeleton) -> bool:
    """Whether the client is found in the still start, without which there is no change to read."""
    start = start_frames(observations.time_s)
    known = [observations.landmarks_px, *(body.directions[name] for name in _SEGMENTS)]
    return all(np.isfinite(values[start].reshape(start.sum(), -1)).all(axis=1).any() for values in known)


def spot_motion(observations: Observations, towards_head: Floats, scale: float) -> Floats:
    """(T, 12): turn [rad], log of size, two stretches and shift (2,) of all spots since the still start;
    turn and shift of the half nearer the head, and of the other. Shifts are shares of `scale` [px]."""
    before = observations.fabric_start_px
    there = np.isfinite(before[:, 0])
    out = np.full((len(observations.time_s), 12), np.nan)
    if there.sum() < FEWEST:
        return out
    height = before @ towards_head
    upper = height > np.median(height[there])
    for i, now in enumerate(observations.fabric_px):
        seen = there & np.isfinite(now[:, 0])
        seen[seen] = _agreeing(before[seen], now[seen])
        if seen.sum() >= FEWEST:
            out[i] = _one_picture(before, now, seen, upper, scale)
    return out


def _agreeing(before: Floats, now: Floats) -> NDArray[np.bool_]:
    """Which spots (n, 2) move as one body; deterministic."""
    if len(before) < FEWEST:
        return np.zeros(len(before), bool)
    cv2.setRNGSeed(0)
    ends = before.astype(np.float32), now.astype(np.float32)
    _, agreed = cv2.estimateAffine2D(*ends, ransacReprojThreshold=_AGREE_PX, maxIters=200, confidence=0.99)
    return np.asarray(agreed).ravel() > 0


def _one_picture(
    before: Floats, now: Floats, seen: NDArray[np.bool_], upper: NDArray[np.bool_], scale: float
) -> list[float]:
    turn, size, stretch, shift = _moved(before[seen], now[seen])
    row = [turn, np.log(max(size, 0.2)), *stretch, *(shift / scale)]
    for half in (seen & upper, seen & ~upper):
        of_half = (turn, shift)
        if half.sum() >= _FEWEST_OF_HALF:
            found = _moved(before[half], now[half])
            of_half = found[0], found[3]
        row += [of_half[0], *(of_half[1] / scale)]
    return row


def _moved(before: Floats, now: Floats) -> tuple[float, float, tuple[float, float], Floats]:
    """Turn [rad], size, stretch along the picture's axes and across them, and shift (2,) [px] of spots."""
    start, end = before - before.mean(axis=0), now - now.mean(axis=0)
    linear = np.linalg.lstsq(start, end, rcond=None)[0].T
    across, along = (
        float((start[:, 0] * end[:, 1] - start[:, 1] * end[:, 0]).sum()),
        float((start * end).sum()),
    )
    size = float(np.hypot(across, along)) / float((start * start).sum())
    stretch = float(linear[0, 0] - linear[1, 1]), float(linear[0, 1] + linear[1, 0])
    return float(np.arctan2(across, along)), size, stretch, now.mean(axis=0) - before.mean(axis=0)


def _on_mat(spots: Floats, camera: Floats) -> Floats:
    """Features (T, 27) of spot motion (T, 12), in the mat frame."""
    ahead = camera[2]
    turns = [_PER_TURN * spots[:, k : k + 1] * ahead for k in (_TURN, _UPPER, _LOWER)]
    columns = (_SHIFT, slice(_UPPER + 1, _UPPER + 3), slice(_LOWER + 1, _LOWER + 3))
    shifts = [_PER_SHIFT * _shift(spots[:, c], camera) for c in columns]
    # The near side of the body goes across the line of sight as the body rolls about `ahead x shift`.
    rolls = [np.cross(ahead, shift) for shift in shifts[:2]]
    return np.column_stack([*turns, *shifts, *rolls, _PER_STRETCH * spots[:, _STRETCH]])


def _shift(picture: Floats, camera: Floats) -> Floats:
    """Shifts (T, 2) in the picture as vectors (T, 3) in the mat frame."""
    return np.asarray(picture @ camera[:2])


def _since(start: NDArray[np.bool_], values: Floats) -> Floats:
    """Values (T, k) as a change from the still start; as they are where that was not seen."""
    known = start & np.isfinite(values).all(axis=1)
    return np.asarray(values - (np.median(values[known], axis=0) if known.any() else 0.0))


def _mean(px: Floats, names: tuple[str, ...]) -> Floats:
    return np.asarray(px[:, [LANDMARKS[name] for name in names]].mean(axis=1))


def _towards_head(start_px: Floats) -> Floats:
    """Unit vector (2,) in the picture from the hips to the shoulders; landmarks (t, 33, 2) of the start."""
    hips, shoulders = (np.nanmedian(_mean(start_px, names), axis=0) for names in _FOLLOWED[:2])
    return np.asarray((shoulders - hips) / np.linalg.norm(shoulders - hips))


def _place(observations: Observations, scale: float) -> Floats:
    """Where the spots are against the hips (2,), how far apart, and how many; zeros without spots."""
    before, px = observations.fabric_start_px, observations.landmarks_px
    spots = before[np.isfinite(before[:, 0])]
    if len(spots) < FEWEST:
        return np.zeros(4)
    hips = np.nanmedian(_mean(px[start_frames(observations.time_s)], _FOLLOWED[0]), axis=0)
    up = _towards_head(px[start_frames(observations.time_s)])
    height = (spots - spots.mean(axis=0)) @ up
    return np.array(
        [*((spots.mean(axis=0) - hips) / scale), height.std() / scale, min(len(spots), _ENOUGH) / _ENOUGH]
    )
