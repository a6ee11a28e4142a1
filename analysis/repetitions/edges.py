"""When a movement really begins and ends, from where its curve crosses parts of its height.

A threshold is crossed late: movements start slowly. The middle of a rise, from a quarter to three quarters
of its height, is steep and well measured, so the ends are found from there, with the exercise's `onset`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.records import Floats

MIDDLE_HALF = (0.25, 0.75)
# The steepest part, and where a movement begins before it, in lengths of it: 2.1 for a minimum-jerk
# course, 1.9 for a half-cosine.
STEEP, STEEP_ONSET = (0.4, 0.75), 2.0
REST_S, REST_QUANTILE = 0.8, 0.3
FAR_SHARE = 0.15
# Falling by this share of its height in this time: a movement on its way, not the last of its settling; far
# from rest, less is enough.
MOVING_S, MOVING_SHARE, MOVING_SHARE_FAR, FAR_FROM_REST = 0.25, 0.1, 0.03, 0.25


@dataclass(frozen=True)
class Phase:
    """A movement from one level to another: when it begins and when it has arrived [s]."""

    begin_s: float
    arrive_s: float


def rise(time_s: Floats, curve: Floats, levels: tuple[float, float], onset: float) -> Phase:
    """When a curve (T,) that ends near its peak last rose from one level to the other.

    `onset` is how far the ends lie outside the middle half of the rise, in lengths of that half.
    """
    t_from, t_to = _crossings(time_s, curve, levels, MIDDLE_HALF)
    margin = onset * (t_to - t_from)
    return Phase(max(t_from - margin, float(time_s[0])), min(t_to + margin, float(time_s[-1])))


def fall(time_s: Floats, curve: Floats, levels: tuple[float, float], onset: float) -> Phase:
    """When a curve (T,) that starts near its peak falls: a rise, seen backwards."""
    backwards = rise(-time_s[::-1], curve[::-1], levels, onset)
    return Phase(-backwards.arrive_s, -backwards.begin_s)


def _crossings(
    time_s: Floats, curve: Floats, levels: tuple[float, float], shares: tuple[float, float]
) -> tuple[float, float]:
    """When a curve (T,) last rises past two shares of the height between two levels [s]."""
    x = (curve - levels[0]) / max(levels[1] - levels[0], 1e-9)
    low = np.flatnonzero(x <= shares[0])
    begin = int(low[-1]) if low.size else 0
    high = np.flatnonzero(x[begin:] >= shares[1])
    after = begin + int(high[0]) if high.size else len(x) - 1
    return _cross(time_s, x, begin, shares[0]), _cross(time_s, x, max(after - 1, 0), shares[1])


def _cross(time_s: Floats, x: Floats, i: int, level: float) -> float:
    """Time between samples i and i + 1 at which x crosses the level."""
    if i + 1 >= len(x) or x[i + 1] == x[i]:
        return float(time_s[i])
    share = np.clip((level - x[i]) / (x[i + 1] - x[i]), 0, 1)
    return float(time_s[i] + share * (time_s[i + 1] - time_s[i]))


def rest_before(time_s: Floats, curve: Floats) -> float:
    """Level of rest before the movement at the end of a curve (T,), which ends near its peak.

    The lower part of what comes just before the steep rise: rest further away may have drifted.
    """
    low, high = float(curve.min()), float(curve[-1])
    steep = _crossings(time_s, curve, (low, high), STEEP)
    begin = steep[0] - STEEP_ONSET * (steep[1] - steep[0])
    near = (time_s >= begin - REST_S) & (time_s <= begin)
    return float(np.quantile(curve[near], REST_QUANTILE)) if near.sum() > 2 else low


def rest_after(time_s: Floats, curve: Floats) -> float:
    """Level of rest after the movement at the start of a curve (T,), which starts near its peak."""
    return rest_before(-time_s[::-1], curve[::-1])


def far_level(curve: Floats, quantile: float = 0.5) -> float:
    """Level of the far end of a whole movement (T,): a quantile of what is near its peak.

    The median stands noise; of a movement that turns at once it is 4 % low.
    """
    near = curve >= curve.max() - FAR_SHARE * np.ptp(curve)
    return float(np.quantile(curve[near], quantile))


def falling(time_s: Floats, curve: Floats, levels: tuple[float, float]) -> bool:
    """Whether a curve (T,) from far to rest still falls where it ends, so that nobody can tell its arrival.

    levels: of rest and of the far end.
    """
    rest, height = levels[0], levels[1] - levels[0]
    fell = curve[time_s >= time_s[-1] - MOVING_S][0] - curve[-1]
    far = curve[-1] - rest > FAR_FROM_REST * height
    return bool(fell >= (MOVING_SHARE_FAR if far else MOVING_SHARE) * height)
