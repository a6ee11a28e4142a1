"""How every moment of a clip differs from the others in which the client has moved as far.

A pose model is off by degrees, but by the same degrees whenever a body looks the same. What it shows at the
far end of one repetition less what it shows at the far ends of the others is left with far smaller errors:
a pelvis that turns in one repetition alone moves chest, hips and knees in the picture by a few pixels.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.records import Floats
from analysis.skeleton import features
from analysis.skeleton.features import USED, Lies

EVERY_S: Final = 0.2  # moments are averages over that long
_FEWEST: Final = 20  # moments
_MOST_OTHERS: Final = 600  # moments that each one is compared with, so that memory does not grow
_AT_ONCE: Final = 200
_AXES: Final = 2  # directions in which the landmarks move most tell how far the client has moved
# As shares of the usual way along the first of them:
_ALIKE: Final = 0.15  # standard deviation of a Gaussian: as far
_SAME_VISIT: Final = 0.45  # without going further away in between, it is the same stay there
_APART_S: Final = 1.2
_FEWEST_ALIKE: Final = 0.5  # weight of the others; with less, there is nothing to compare with
_ENOUGH: Final = 4.0
_STIFF: Final = 0.003  # keeps the slope finite where all others are at one place
# Features of about the same size learn better.
_PER_PX, _PER_CM = 20.0, 10.0
_MOVED: Final = 4.0


def describe(
    time_s: Floats, px: Floats, cm: Floats, visibility: Floats, lies: Lies, picture: tuple[int, int]
) -> tuple[Floats, Floats]:
    """Times (G,) [s], `EVERY_S` apart, and features (G, F) of a clip; NaN where nobody is seen.

    Landmarks px (T, 33, 2) in the upright picture, cm (T, 33, 3) hip-centred, visibility (T, 33).
    """
    times, (px, cm, seen) = _averaged(time_s, px[:, USED, :2], cm[:, USED] / 100, visibility[:, USED])
    known = np.isfinite(px).all(axis=(1, 2))
    if known.sum() < _FEWEST:
        return times, np.full((len(times), 1), np.nan)
    clip = features.clip_features(times, px, cm, seen, lies, picture)
    start = features.seen_start(times, px)
    scale = features.scale_of(px)
    moved_px, moved_cm = (_moved(values, start) for values in (px / scale, cm))
    directions = features.guessed_directions(cm, np.median(cm[start], axis=0))
    both = np.concatenate([_PER_PX * moved_px, _PER_CM * moved_cm], axis=1)
    unlike, alike = np.zeros_like(both), np.zeros(len(times))
    unlike[known], alike[known] = _against_others(times[known], both[known], _way(moved_px[known]))
    out = np.column_stack([
        unlike, np.minimum(alike, _ENOUGH) / _ENOUGH, _MOVED * moved_px, _MOVED * moved_cm, seen,
        directions - np.median(directions[start], axis=0), np.tile(clip, (len(times), 1)),
    ])  # fmt: skip
    out[~known] = np.nan
    return times, out


def _averaged(time_s: Floats, *values: Floats) -> tuple[Floats, list[Floats]]:
    """Times (G,), and the means (G, ...) of values (T, ...) over `EVERY_S` round each; NaN where unseen."""
    place = np.round((time_s - time_s[0]) / EVERY_S).astype(int)
    known = np.isfinite(np.concatenate([v.reshape(len(v), -1) for v in values], axis=1)).all(axis=1)
    count = np.bincount(place[known], minlength=place[-1] + 1).astype(float)
    count[count == 0] = np.nan
    means = []
    for v in values:
        total = np.zeros((len(count), *v.shape[1:]))
        np.add.at(total, place[known], v[known])
        means.append(total / count.reshape(-1, *[1] * (v.ndim - 1)))
    return time_s[0] + EVERY_S * np.arange(len(count)), means


def _moved(values: Floats, start: NDArray[np.bool_]) -> Floats:
    """Values (G, K, D) as a change (G, K D) from the still start."""
    return np.asarray((values - np.median(values[start], axis=0)).reshape(len(values), -1))


def _way(moved: Floats) -> Floats:
    """How far the client has moved (G, 2), along the directions in which the landmarks move most."""
    sides, sizes, _ = np.linalg.svd(moved - moved.mean(axis=0), full_matrices=False)
    way = sides[:, :_AXES] * sizes[:_AXES]
    return np.asarray(way / max(float(way.std(axis=0).max()), 1e-9))


def _against_others(times: Floats, values: Floats, way: Floats) -> tuple[Floats, Floats]:
    """Values (G, F) less what they are at other times in which the client is as far, zero without such; and
    the weight of those others (G,)."""
    others = np.unique(np.linspace(0, len(times) - 1, min(len(times), _MOST_OTHERS)).astype(int))
    unlike, alike = np.zeros_like(values), np.zeros(len(times))
    for first in range(0, len(times), _AT_ONCE):
        rows = np.arange(first, min(first + _AT_ONCE, len(times)))
        apart = way[others][None] - way[rows][:, None]
        far = np.linalg.norm(apart, axis=2)
        weight = np.exp(-0.5 * (far / _ALIKE) ** 2)
        weight[_same_visit(far < _SAME_VISIT, np.searchsorted(others, rows))] = 0
        weight[np.abs(times[rows][:, None] - times[others]) <= _APART_S] = 0
        alike[rows] = weight.sum(axis=1)
        enough = alike[rows] >= _FEWEST_ALIKE
        there = _level(weight[enough], apart[enough], values[others])
        unlike[rows[enough]] = values[rows[enough]] - there
    return unlike, alike


def _same_visit(near: NDArray[np.bool_], own: NDArray[np.intp]) -> NDArray[np.bool_]:
    """Which others (R, O) are joined to a moment's own place (R,) by others that are all near it."""
    place = np.arange(near.shape[1])
    before = np.where(~near & (place < own[:, None]), place, -1).max(axis=1)
    after = np.where(~near & (place >= own[:, None]), place, near.shape[1]).min(axis=1)
    return np.asarray((place > before[:, None]) & (place < after[:, None]))


def _level(weight: Floats, apart: Floats, values: Floats) -> Floats:
    """Values (R, F) at no distance, by weighted straight lines through values (O, F) at `apart` (R, O, 2)."""
    sides = np.concatenate([np.ones((*weight.shape, 1)), apart], axis=2)
    weighed = sides * weight[..., None]
    square = np.einsum("rok,rol->rkl", weighed, sides)
    square[:, 1:, 1:] += _STIFF * weight.sum(axis=1)[:, None, None] * np.eye(_AXES)
    lines = np.linalg.solve(square, np.einsum("rok,of->rkf", weighed, values))
    return np.asarray(lines[:, 0])
