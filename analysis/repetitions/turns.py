"""Turning points of a curve, and the humps between them."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

from analysis.records import Floats

# A movement is back at rest when it has returned by this share of its height
# (common practice, no source; robust for clients who do not come back all the way).
RETURNED = 0.6


@dataclass(frozen=True)
class Hump:
    """A rise from one low to a peak and the fall to the next low, as sample numbers."""

    low: int
    peak: int
    next_low: int

    def rise(self, curve: Floats) -> float:
        """Height of the peak over the low before it."""
        return float(curve[self.peak] - curve[self.low])

    def fall(self, curve: Floats) -> float:
        """Height of the peak over the low after it."""
        return float(curve[self.peak] - curve[self.next_low])

    def closed(self, curve: Floats) -> bool:
        """Whether the curve comes back."""
        return self.fall(curve) >= RETURNED * self.rise(curve)


def turning_points(curve: Floats, swing: float) -> list[tuple[int, bool]]:
    """Alternating lows and peaks of a curve (T,), each at least `swing` from the one before.

    Pairs of sample number and whether it is a peak. The last one may still be going on.
    """
    points: list[tuple[int, bool]] = []
    low = high = 0
    seeking_high, seeking_low = True, True
    for i, value in enumerate(curve):
        if seeking_high:
            high = i if value > curve[high] else high
            if curve[high] - value >= swing:
                points.append((high, True))
                seeking_high, seeking_low, low = False, True, i
        if seeking_low:
            low = i if value < curve[low] else low
            if value - curve[low] >= swing:
                points.append((low, False))
                seeking_high, seeking_low, high = True, False, i
    if points:
        points.append((low, False) if points[-1][1] else (high, True))
    return points


def humps(curve: Floats, swing: float) -> list[Hump]:
    """Every rise and fall of a curve (T,) of at least `swing`; the last one may not be closed.

    A curve that starts high has no first rise, so its first fall is not a hump. A dip that does not come
    back to rest is part of the hump around it.
    """
    points = turning_points(curve, swing)
    if points and points[0][1]:
        points = points[1:]
    lows = [i for i, peak in points if not peak]
    peaks = [i for i, peak in points if peak]
    lows += [len(curve) - 1] * (len(peaks) + 1 - len(lows))
    found = [Hump(lows[i], peak, lows[i + 1]) for i, peak in enumerate(peaks)]
    return _merged(found, curve)


def _merged(found: list[Hump], curve: Floats) -> list[Hump]:
    """Humps joined across every dip that stays far from rest, the shallowest dip first."""
    found = list(found)
    while len(found) > 1:
        depths = [_dip(a, b, curve) for a, b in pairwise(found)]
        at = min(range(len(depths)), key=depths.__getitem__)
        if depths[at] >= RETURNED:
            break
        a, b = found[at : at + 2]
        peak = a.peak if curve[a.peak] >= curve[b.peak] else b.peak
        found[at : at + 2] = [Hump(a.low, peak, b.next_low)]
    return found


def _dip(a: Hump, b: Hump, curve: Floats) -> float:
    """Depth of the low between two humps as a share of the lower one's height."""
    top = min(curve[a.peak], curve[b.peak])
    height = top - min(curve[a.low], curve[b.next_low])
    return float((top - curve[b.low]) / height) if height > 0 else 0.0
