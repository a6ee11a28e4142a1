"""Times repetitions by what moves in the picture.

A point of the body is seen to move as soon as it moves; an angle of small range, made of several points,
shows it later. On rendered clips of such movements the ends are found to 0.1 s so, against 0.2 to 0.4 s by
the angles.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from analysis import filters
from analysis.conventions import SIDES
from analysis.exercises import Exercise
from analysis.records import LANDMARKS, Floats, Observations, RepetitionSide
from analysis.repetitions import course, edges
from analysis.repetitions.span import Span

# As `Movement.onset`: of a minimum-jerk course (Flash & Hogan 1985, J Neurosci 5:1688); of a half-cosine 1.0.
ONSET: Final = 1.33
# Of the picture in the times; the rest is the angles'. On 225 rendered clips the picture errs less, and both
# together less than either (correlation of their errors 0.1 to 0.5).
SHARE: Final = 2 / 3
FAR_QUANTILE: Final = 0.9  # landmarks shake little beside the way that a point goes
CUTOFF_HZ: Final = 2.0
LONGEST_GAP_S: Final = 1.0
MIDDLE: Final = (0.4, 0.6)  # share of a repetition in which it is at its far end
FEWEST_SAMPLES: Final = 6
LEAST_WAY: Final = 0.03  # of the trunk's length in the picture: a shorter way may be noise alone
LIKE: Final = (0.6, 1.8)  # share of the time that the angles show; anything else is another movement

NO_JUMP: Final = 0.5  # share of the time out or back that the angles show, at least


def timed(spans: Sequence[Span], observations: Observations, exercise: Exercise) -> tuple[Span, ...]:
    """The spans with their times from the exercise's `marks`, if it has any; coarse where those tell none."""
    if not exercise.movement.marks:
        return tuple(spans)
    around = course.windows(spans)
    return tuple(
        (_timed(span, window, observations, exercise) if span.complete else None)
        or replace(span, coarse=True)
        for span, window in zip(spans, around, strict=True)
    )


def _timed(
    span: Span, window: tuple[float, float], observations: Observations, exercise: Exercise
) -> Span | None:
    time_s, way = _way(span, window, observations, exercise)
    peak = int(np.argmax(way)) if way.size else 0
    if not 2 <= peak <= len(way) - 3:
        return None
    rising, falling, far = slice(0, peak + 1), slice(peak, None), edges.far_level(way, FAR_QUANTILE)
    levels = (edges.rest_before(time_s[rising], way[rising]), edges.rest_after(time_s[falling], way[falling]))
    if far - max(levels) <= LEAST_WAY * trunk_px(observations):
        return None
    out = edges.rise(time_s[rising], way[rising], (levels[0], far), ONSET)
    back = edges.fall(time_s[falling], way[falling], (levels[1], far), ONSET)
    arrive, leave = out.arrive_s, back.begin_s
    if arrive > leave:
        arrive = leave = (arrive + leave) / 2
    found = replace(span, start_s=out.begin_s, arrive_s=arrive, leave_s=leave, end_s=back.arrive_s)
    return _turning(_joined(found, span), exercise.movement.longest_pause_s) if _alike(found, span) else None


def _joined(found: Span, span: Span) -> Span:
    """The mean of the times by the picture and by the angles, whose errors hardly go together."""
    times = {
        name: SHARE * getattr(found, name) + (1 - SHARE) * getattr(span, name)
        for name in ("start_s", "arrive_s", "leave_s", "end_s")
    }
    return replace(span, **times)


def _turning(span: Span, longest_pause_s: float | None) -> Span:
    """The span with no longer pause at its far end than the movement has; the rest belongs to both ways."""
    if longest_pause_s is None:
        return span
    excess = max(0.0, span.leave_s - span.arrive_s - longest_pause_s) / 2
    return replace(span, arrive_s=span.arrive_s + excess, leave_s=span.leave_s - excess)


def _alike(found: Span, span: Span) -> bool:
    """Whether the times are those of the same movement; a point taken for the other leg's jumps there."""
    ways = [(s.arrive_s - s.start_s, s.end_s - s.leave_s) for s in (found, span)]
    jumps = any(seen < NO_JUMP * angles for seen, angles in zip(*ways, strict=True))
    return not jumps and LIKE[0] <= found.duration_s / span.duration_s <= LIKE[1]


def _way(
    span: Span, window: tuple[float, float], observations: Observations, exercise: Exercise
) -> tuple[Floats, Floats]:
    """How far the marks are on their way from rest to the far end, (t,) [px], at times (t,) in the window."""
    t, calm = observations.time_s, calm_px(observations, exercise.movement.marks, span.side)
    inside = (t >= window[0]) & (t <= window[1]) & np.isfinite(calm).all(axis=1)
    share = (t - span.start_s) / span.duration_s
    out = inside & (share >= MIDDLE[0]) & (share <= MIDDLE[1])
    rest = inside & ((share <= 0) | (share >= 1))
    if inside.sum() < FEWEST_SAMPLES or not out.any() or not rest.any():
        return np.empty(0), np.empty(0)
    away = calm[out].mean(axis=0) - np.median(calm[rest], axis=0)
    return t[inside], calm[inside] @ (away / max(float(np.linalg.norm(away)), 1e-6))


def calm_px(observations: Observations, marks: Sequence[str], side: RepetitionSide) -> Floats:
    """Where the marks of a side are in the picture (T, 2 x marks) [px], low-pass filtered."""
    rows = [LANDMARKS[name.format(side=side)] for name in marks]
    t, px = observations.time_s, observations.landmarks_px[:, rows]
    return filters.smooth(t, px.reshape(len(t), -1), CUTOFF_HZ, LONGEST_GAP_S)


def trunk_px(observations: Observations) -> float:
    """Length of the trunk in the picture, from hips to shoulders [px]; 0 where it is never seen."""
    ends = [
        np.mean([observations.landmarks_px[:, LANDMARKS[f"{part}_{side}"]] for side in SIDES], axis=0)
        for part in ("hip", "shoulder")
    ]
    length = np.linalg.norm(ends[0] - ends[1], axis=1)
    seen = length[np.isfinite(length)]
    return float(np.median(seen)) if seen.size else 0.0
