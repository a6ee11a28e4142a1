"""Repetitions of movements that go out, to the opposite end and back to the middle."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from analysis.records import Floats
from analysis.repetitions import edges
from analysis.repetitions.span import Span
from analysis.repetitions.tracks import STILL_START_S, Track
from analysis.repetitions.turns import RETURNED, turning_points

# An end closer to the middle than this share of the opposite one is the middle.
MIDDLE_SHARE = 0.35
AT_REST_S = 0.5  # in the middle for so long: back at rest, not on the way through


def cut(seen: Sequence[Track], swing: float) -> list[Span]:
    """Swings from one end to the opposite one, in the direction in which the set begins."""
    return [span for track in seen for span in _of_track(track, swing)]


def _of_track(track: Track, swing: float) -> list[Span]:
    curve = track.curve - _middle(track)
    ends = [i for i, _ in turning_points(curve, swing)]
    # The still start and the still end are turning points, too, but no ends of a cycle.
    if len(ends) > 1 and abs(curve[ends[0]]) < MIDDLE_SHARE * abs(curve[ends[1]]):
        ends = ends[1:]
    last = len(curve) - 1
    # Only where a cycle has no opposite end is the still end what it comes back to.
    if len(ends) > 1 and len(ends) % 2 and abs(curve[ends[-1]]) < MIDDLE_SHARE * abs(curve[ends[-2]]):
        ends = ends[:-1]
    bounds = [0, *ends, last]
    found = [_span(track, curve, bounds[i : i + 4]) for i in range(0, len(bounds) - 3, 2)]
    if len(ends) % 2:
        return [*found, _cut_off(track, curve, bounds[-3], bounds[-2])]
    if found and not _back(track, curve, bounds[-3], bounds[-2]):
        found[-1] = _cut_off(track, curve, bounds[-4], bounds[-3])
    return found


def _back(track: Track, curve: Floats, a: int, b: int) -> bool:
    """Whether the clip shows how a cycle between its ends a and b comes back to the middle."""
    out = curve if curve[a] > curve[b] else -curve
    if -out[b] >= MIDDLE_SHARE * out[a]:
        back = bool(out[b:].max() >= (1 - RETURNED) * out[b])
        return back and not edges.falling(track.time_s[b:], -out[b:], (0.0, float(-out[b])))
    near = track.time_s[np.flatnonzero(out >= MIDDLE_SHARE * out[a])[-1]]
    return bool(track.time_s[-1] - near >= AT_REST_S)


def _cut_off(track: Track, curve: Floats, before: int, a: int) -> Span:
    """A cycle with its first end at a that the clip cuts off, as high as if both ends were alike."""
    out, t = curve if curve[a] > 0 else -curve, track.time_s
    way, end = slice(before, a + 1), float(t[-1])
    went = edges.rise(t[way], out[way], (0.0, float(out[a])), track.onset)
    return Span(track.side, went.begin_s, went.arrive_s, end, end, 2 * float(out[a]), 1.0, complete=False)


def _middle(track: Track) -> Floats:
    """The middle between the ends (T,): from the still start to the still end, for a slow drift."""
    t, curve = track.time_s, track.curve
    start = float(np.median(curve[t < t[0] + STILL_START_S]))
    end = float(np.median(curve[t > t[-1] - STILL_START_S]))
    # A clip that ends in the middle of a movement has no still end.
    end = end if abs(end - start) < 0.2 * np.ptp(curve) else start
    return np.interp(t, t[[0, -1]], [start, end])


def _span(track: Track, curve: Floats, bounds: Sequence[int]) -> Span:
    """One cycle between its ends bounds[1] and bounds[2]; the others are the ends before and after."""
    before, a, b, after = bounds
    out = curve if curve[a] > curve[b] else -curve
    t = track.time_s
    first, last = slice(before, a + 1), slice(b, after + 1)
    begin = edges.rise(t[first], out[first], (0.0, float(out[a])), track.onset).begin_s
    turn = float(t[a + int(np.argmax(out[a : b + 1] <= 0))]) if out[b] <= 0 else float(t[b])
    if -out[b] >= MIDDLE_SHARE * out[a]:
        end = edges.fall(t[last], -out[last], (0.0, float(-out[b])), track.onset).arrive_s
    else:  # there is no opposite end: back to the middle, and at rest
        end = edges.fall(t[a : b + 1], out[a : b + 1], (float(out[b]), float(out[a])), track.onset).arrive_s
        turn = (begin + end) / 2
    return Span(track.side, begin, turn, turn, end, float(out[a] - out[b]), 1.0)
