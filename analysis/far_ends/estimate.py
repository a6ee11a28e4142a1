"""From readings of pairs to how far the pelvis is turned at each far end, and how sure that is.

What two far ends differ by is read well; by what one differs from the still start, less well. So it is well
known which repetition went astray from the others, and less well whether all of them did alike.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.ndimage import gaussian_filter1d
from scipy.sparse.csgraph import connected_components

from analysis.records import Floats

# Before anything is read, a client's usual repetition turns the pelvis by about _HABIT_DEG (standard
# deviation), or in some clients by _BAD_HABIT_DEG; a repetition is like the usual one to _ALIKE_DEG, or went
# astray by anything: common practice, no source.
_HABIT_DEG, _BAD_HABIT_DEG, _BAD_SHARE = 2.0, 8.0, 0.15
_ALIKE_DEG, _ASTRAY_SHARE = 1.5, 0.4
_MOST_DEG, _STEP_DEG, _HABIT_STEP_DEG = 25.0, 0.1, 0.5
_GRID_DEG: Final = np.arange(-_MOST_DEG, _MOST_DEG + _STEP_DEG, _STEP_DEG)
_HABITS_DEG: Final = np.arange(-_MOST_DEG, _MOST_DEG + _HABIT_STEP_DEG, _HABIT_STEP_DEG)
# What a source reads wrong in one repetition it reads wrong in the others, too: correlation of its errors.
# And it may see nothing of a turn at all and read rest: how often; more often in long stretches done once a
# side, which have no other to be compared with (of 17 such turns in rendered people 3 were read as rest).
_IN_COMMON: Final = 0.4
_BLIND_SHARE, _BLIND_SHARE_ALONE = 0.05, 0.15
# Readings err towards rest: probabilities computed here at which bounds hold with 95 % in rendered people
# from whom nothing was learned.
_AT_LEAST, _AT_MOST = 0.8, 0.975
_LEAST_DEG: Final = 1e-3
_TINY: Final = 1e-300


@dataclass(frozen=True)
class Reading:
    """A change from far end `first`, or the still start where that is None, to far end `second`, and its
    standard deviation [deg]; `source` tells readings apart that err alike."""

    first: int | None
    second: int
    deg: float
    error_deg: float
    source: str = ""


@dataclass(frozen=True, eq=False)
class Turns:
    """How far the pelvis is turned at each of n far ends since the still start (n,) [deg]; with 95 % it is
    that way by `least_deg` (n,), which is negative where it may be the other way, and either way by no more
    than `most_deg` (n,). NaN where nothing was read."""

    deg: Floats
    least_deg: Floats
    most_deg: Floats


def turns(readings: Sequence[Reading], count: int) -> Turns:
    """The turns at `count` far ends that agree best with all readings."""
    found = np.full((count, 3), np.nan)
    linked = np.zeros((count, count))
    for r in readings:
        linked[r.second if r.first is None else r.first, r.second] = 1
    _, group = connected_components(linked, directed=False)
    for number in np.unique(group):
        members = np.flatnonzero(group == number)
        own = [r for r in readings if r.second in members]
        if own:
            found[members] = _of_group(own, members.tolist())
    return Turns(*found.T)


def _of_group(readings: Sequence[Reading], members: Sequence[int]) -> Floats:
    """Turns and their bounds (n, 3) of far ends that were all compared with each other, if only by others."""
    apart, error = _apart([r for r in readings if r.first is not None], members)
    level = _level([r for r in readings if r.first is None], members, apart, error)
    likely = (_shifted(level, far, doubt) for far, doubt in zip(apart, error, strict=True))
    return np.array([_with_bounds(np.cumsum(p)) for p in likely])


def _with_bounds(below: Floats) -> tuple[float, float, float]:
    """Turn, least and most, from the probability (G,) that a turn is below each place of the grid."""
    sides = (1 - _AT_MOST, 1 - _AT_LEAST, 0.5, _AT_LEAST, _AT_MOST)
    lowest, low, turn, high, highest = (float(x) for x in np.interp(sides, below, _GRID_DEG))
    return turn, low if turn >= 0 else -high, max(-lowest, highest)


def _apart(pairs: Sequence[Reading], members: Sequence[int]) -> tuple[Floats, Floats]:
    """How far each far end is from their mean (n,), and its standard deviation (n,): weighted least squares.

    The errors of one far end's readings go together, so many of them are not surer than the best.
    """
    place = {k: i for i, k in enumerate(members)}
    rows, wanted = np.zeros((len(pairs) + 1, len(members))), np.zeros(len(pairs) + 1)
    rows[-1] = 1.0
    error = np.full(len(members), np.inf if len(members) > 1 else 0.0)
    for row, r in enumerate(pairs):
        i, j, doubt = place[r.first or 0], place[r.second], max(r.error_deg, _LEAST_DEG)
        rows[row, [i, j]] = -1 / doubt, 1 / doubt
        wanted[row] = r.deg / doubt
        error[[i, j]] = np.minimum(error[[i, j]], doubt)
    return np.asarray(np.linalg.lstsq(rows, wanted, rcond=None)[0]), error


def _level(alone: Iterable[Reading], members: Sequence[int], apart: Floats, error: Floats) -> Floats:
    """Probability (G,) of where the mean of the far ends lies on the grid."""
    place = {k: i for i, k in enumerate(members)}
    turned = _GRID_DEG[:, None] + apart
    log = np.log(_before_reading(turned, error))
    blind_share = _BLIND_SHARE if len(members) > 1 else _BLIND_SHARE_ALONE
    by_source = defaultdict(list)
    for r in alone:
        by_source[r.source].append(_explained(r, turned[:, place[r.second]], blind_share))
    for explained in by_source.values():
        log += np.sum(explained, axis=0) / (1 + (len(explained) - 1) * _IN_COMMON)
    likely = np.exp(log - log.max())
    return np.asarray(likely / likely.sum())


def _explained(reading: Reading, turned: Floats, blind_share: float) -> Floats:
    """Logarithm of the likelihood (G,) of a reading where the pelvis is turned by `turned` (G,)."""
    error = max(reading.error_deg, _LEAST_DEG)
    blind = blind_share * _normal(np.array(reading.deg), error)
    return np.asarray(np.log((1 - blind_share) * _normal(reading.deg - turned, error) + blind + _TINY))


def _before_reading(turned: Floats, error: Floats) -> Floats:
    """Probability density (G,) of turns (G, n) as people do exercises."""
    habits = (1 - _BAD_SHARE) * _normal(_HABITS_DEG, _HABIT_DEG) + _BAD_SHARE * _normal(
        _HABITS_DEG, _BAD_HABIT_DEG
    )
    alike = _normal(turned[:, None] - _HABITS_DEG[:, None], np.hypot(_ALIKE_DEG, error))
    density = (1 - _ASTRAY_SHARE) * alike + _ASTRAY_SHARE / (2 * _MOST_DEG)
    return np.asarray(density.prod(axis=2) @ habits)


def _normal(x: Floats, spread: Floats | float) -> Floats:
    return np.asarray(np.exp(-0.5 * (x / spread) ** 2) / (spread * np.sqrt(2 * np.pi)))


def _shifted(level: Floats, far: float, doubt: float) -> Floats:
    """Probability (G,) of a turn that is `far` from the level, give or take `doubt`."""
    moved = np.interp(_GRID_DEG - far, _GRID_DEG, level, left=0.0, right=0.0)
    smooth = gaussian_filter1d(moved, max(doubt, _STEP_DEG) / _STEP_DEG, mode="constant")
    return np.asarray(smooth / max(smooth.sum(), 1e-300))
