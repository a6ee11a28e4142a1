"""Repetitions of movements that go out and come back: every rise and fall of a track."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from analysis.repetitions import edges
from analysis.repetitions.span import Span
from analysis.repetitions.tracks import Track
from analysis.repetitions.turns import Hump, humps

AT_REST_S = 0.5  # after so long at rest, a curve that sinks only drifts


def cut(seen: Sequence[Track], swing: float) -> list[Span]:
    """Every rise and fall of at least `swing` on every track; the last of a track may be incomplete."""
    return [span for track in seen for span in _of_track(track, humps(track.curve, swing))]


def _of_track(track: Track, found: Sequence[Hump]) -> list[Span]:
    peaks = [0, *(h.peak for h in found), len(track.curve) - 1]
    return [
        _span(track, hump, before, after)
        for hump, before, after in zip(found, peaks, peaks[2:], strict=False)
    ]


def _span(track: Track, hump: Hump, before: int, after: int) -> Span:
    """One hump, between the peaks before and after it."""
    time_s, curve = track.time_s, track.curve
    rising, falling = slice(before, hump.peak + 1), slice(hump.peak, after + 1)
    far = edges.far_level(curve[hump.low : hump.next_low + 1])
    rest = edges.rest_before(time_s[rising], curve[rising])
    out = edges.rise(time_s[rising], curve[rising], (rest, far), track.onset)
    end = float(time_s[-1])
    cut_off = Span(track.side, out.begin_s, out.arrive_s, end, end, far - rest, 1.0, complete=False)
    if not hump.closed(curve):
        return cut_off
    rest_after = edges.rest_after(time_s[falling], curve[falling])
    back = _way_back(track, falling, (rest_after, far), rest)
    if back is None:
        return cut_off
    arrive, leave = out.arrive_s, back.begin_s
    if track.far is not track.curve:
        arrive, leave = _far_end(track, hump)
    if arrive > leave:
        arrive = leave = (arrive + leave) / 2
    height = far - (rest + rest_after) / 2
    return Span(track.side, out.begin_s, arrive, leave, back.arrive_s, height, 1.0)


def _way_back(track: Track, falling: slice, levels: tuple[float, float], rest: float) -> edges.Phase | None:
    """The fall from the far end; None where the clip ends in it. rest: level before the movement."""
    time_s, curve = track.time_s[falling], track.curve[falling]
    back = edges.fall(time_s, curve, levels, track.onset)
    near_end = back.arrive_s > track.time_s[-1] - AT_REST_S
    return None if near_end and edges.falling(time_s, curve, (rest, levels[1])) else back


def _far_end(track: Track, hump: Hump) -> tuple[float, float]:
    """When the far end is reached and left, for a movement that begins off its driver [s]."""
    time_s, far = track.time_s, track.far
    peak = hump.low + int(np.argmax(far[hump.low : hump.next_low + 1]))
    rising, falling = slice(hump.low, peak + 1), slice(peak, hump.next_low + 1)
    top = edges.far_level(far[hump.low : hump.next_low + 1])
    rest = edges.rest_before(time_s[rising], far[rising])
    rest_after = edges.rest_after(time_s[falling], far[falling])
    out = edges.rise(time_s[rising], far[rising], (rest, top), track.onset)
    back = edges.fall(time_s[falling], far[falling], (rest_after, top), track.onset)
    return out.arrive_s, back.begin_s
