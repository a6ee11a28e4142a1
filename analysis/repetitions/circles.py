"""Circles: when one really begins and ends, and which way round it goes.

Fitting the whole turn to every sample finds the ends of a small circle far better than the crossing of a
threshold, which noise moves.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from analysis.exercises import Exercise
from analysis.records import Floats, Motion
from analysis.repetitions import course
from analysis.repetitions.span import Span

SEARCH_SHARE = 0.3  # of the circle's time: how far each end may move at first, each way
STEPS, ROUNDS, CLOSER = 13, 3, 3.0


def refined(spans: Sequence[Span], motion: Motion, exercise: Exercise) -> list[Span]:
    """The spans (in order) with better ends and their direction; those cut off by the clip as they are."""
    found = []
    for span, window in zip(spans, course.windows(spans), strict=True):
        inside = (motion.time_s >= window[0]) & (motion.time_s <= window[1])
        path = course.paths(motion, exercise, span)
        if path is not None and span.complete and inside.sum() > course.FEWEST_SAMPLES:
            span = _refined(motion.time_s[inside], path[inside], span)
        found.append(span)
    return found


def _refined(time_s: Floats, path: Floats, span: Span) -> Span:
    """Moves one end, then the other, to where the turn fits best, in ever smaller steps."""
    reach = SEARCH_SHARE * span.duration_s
    for _ in range(ROUNDS):
        for start, end in ((1, 0), (0, 1)):
            steps = np.linspace(-reach, reach, STEPS)
            tries = [_turn(span, span.start_s + start * s, span.end_s + end * s) for s in steps]
            span = min(tries, key=lambda t: course.fit(time_s, path, t, "circle")[1])
        reach /= CLOSER
    (up_cos, front_cos), (up_sin, front_sin) = course.fit(time_s, path, span, "circle")[0]
    forward = up_sin * front_cos < up_cos * front_sin
    return replace(span, direction="forward over the top" if forward else "backward over the top")


def _turn(span: Span, start_s: float, end_s: float) -> Span:
    middle = float(start_s + end_s) / 2
    return replace(span, start_s=float(start_s), arrive_s=middle, leave_s=middle, end_s=float(end_s))
