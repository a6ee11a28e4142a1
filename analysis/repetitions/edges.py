"""When a movement really begins and ends, from where its curve crosses parts of its height.

A threshold is crossed late: movements start slowly. The middle of a rise, from a quarter to three quarters
of its height, is steep and well measured, so the ends are found from there, with the exercise's `onset`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.records import Floats

FROM, TO = 0.25, 0.75
REST_WITHIN_S = 2.0  # rest next to a movement: what is further away may have drifted
REST_SHARE = 0.25  # of a movement's height; lower than this is rest
FAR_SHARE = 0.15


@dataclass(frozen=True)
class Phase:
    """A movement from one level to another: when it begins and when it has arrived [s]."""

    begin_s: float
    arrive_s: float


def rise(time_s: Floats, curve: Floats, levels: tuple[float, float], onset: float) -> Phase:
    """When a curve (T,) that ends near its peak last rose from one level to the other.

    `onset` is how far the ends lie outside the middle half of the rise, in lengths of that half.
    """
    x = (curve - levels[0]) / (levels[1] - levels[0])
    low = np.flatnonzero(x <= FROM)
    begin = int(low[-1]) if low.size else 0
    high = np.flatnonzero(x[begin:] >= TO)
    after = begin + int(high[0]) if high.size else len(x) - 1
    t_from, t_to = _cross(time_s, x, begin, FROM), _cross(time_s, x, max(after - 1, 0), TO)
    margin = onset * (t_to - t_from)
    return Phase(max(t_from - margin, time_s[0]), min(t_to + margin, time_s[-1]))


def fall(time_s: Floats, curve: Floats, levels: tuple[float, float], onset: float) -> Phase:
    """When a curve (T,) that starts near its peak falls: a rise, seen backwards."""
    backwards = rise(-time_s[::-1], curve[::-1], levels, onset)
    return Phase(-backwards.arrive_s, -backwards.begin_s)


def _cross(time_s: Floats, x: Floats, i: int, level: float) -> float:
    """Time between samples i and i + 1 at which x crosses the level."""
    if i + 1 >= len(x) or x[i + 1] == x[i]:
        return float(time_s[i])
    share = np.clip((level - x[i]) / (x[i + 1] - x[i]), 0, 1)
    return float(time_s[i] + share * (time_s[i + 1] - time_s[i]))


def rest_before(time_s: Floats, curve: Floats) -> float:
    """Level of rest before the movement at the end of a curve (T,), which ends near its peak."""
    height = curve[-1] - curve.min()
    low = np.flatnonzero(curve <= curve.min() + REST_SHARE * height)
    near = low[time_s[low] >= time_s[low[-1]] - REST_WITHIN_S]
    return float(np.median(curve[near]))


def rest_after(time_s: Floats, curve: Floats) -> float:
    """Level of rest after the movement at the start of a curve (T,), which starts near its peak."""
    return rest_before(-time_s[::-1], curve[::-1])


def far_level(curve: Floats) -> float:
    """Level of the far end of a whole movement (T,): the median of what is near its peak."""
    near = curve >= curve.max() - FAR_SHARE * np.ptp(curve)
    return float(np.median(curve[near]))
