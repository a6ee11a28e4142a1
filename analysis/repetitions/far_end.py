"""Far ends that come late: the picture tells when a movement begins and ends, its angle when it is out.

A leg that is first lifted and then stretched goes most of its way in the picture before the knee is straight.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from analysis.exercises import Exercise
from analysis.records import Floats, Motion
from analysis.repetitions import course, edges
from analysis.repetitions.span import Span

FAR_QUANTILE: Final = 0.9  # of a movement that turns at once the median of its far end is low
FEWEST_SAMPLES: Final = 6


def with_far_ends(spans: Sequence[Span], motion: Motion, exercise: Exercise) -> tuple[Span, ...]:
    """The spans with the far end from the driver, for exercises with a `far_onset`."""
    onset = exercise.movement.far_onset
    if onset is None:
        return tuple(spans)
    around = course.windows(spans)
    return tuple(
        _by_driver(span, window, motion, exercise, onset) for span, window in zip(spans, around, strict=True)
    )


def _by_driver(
    span: Span, window: tuple[float, float], motion: Motion, exercise: Exercise, onset: float
) -> Span:
    path = course.paths(motion, exercise, span)
    if path is None or span.hidden or span.coarse or not span.complete:
        return span
    inside = (motion.time_s >= window[0]) & (motion.time_s <= window[1])
    times = _far_end(motion.time_s[inside], path[inside, 0], span, onset)
    if times is None or not span.start_s < times[0] <= times[1] < span.end_s:
        return span
    return replace(span, arrive_s=times[0], leave_s=times[1])


def _far_end(time_s: Floats, driver: Floats, span: Span, onset: float) -> tuple[float, float] | None:
    """When a driver (T,) reaches its far end within the span, and leaves it [s]."""
    within = (time_s >= span.start_s) & (time_s <= span.end_s)
    if within.sum() < FEWEST_SAMPLES:
        return None
    peak = int(np.argmax(np.where(within, driver, -np.inf)))
    rising, falling, far = (
        slice(0, peak + 1),
        slice(peak, None),
        edges.far_level(driver[within], FAR_QUANTILE),
    )
    levels = (
        edges.rest_before(time_s[rising], driver[rising]),
        edges.rest_after(time_s[falling], driver[falling]),
    )
    arrive = edges.rise(time_s[rising], driver[rising], (levels[0], far), onset).arrive_s
    leave = edges.fall(time_s[falling], driver[falling], (levels[1], far), onset).begin_s
    middle = (arrive + leave) / 2
    return (arrive, leave) if arrive <= leave else (middle, middle)
