"""The course that a repetition takes; fitted to every sample, it tells a small movement from noise."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from analysis.conventions import Side
from analysis.exercises import Exercise
from analysis.exercises.schema import Shape
from analysis.records import Floats, Motion
from analysis.repetitions.signals import weighted
from analysis.repetitions.span import Span

CUTOFF_HZ = 3.0
REST_S = 0.8  # rest used on each side
SHORTEST_PHASE_S = 0.2
FEWEST_SAMPLES = 6
AS_GOOD_AS_PERFECT = 0.01  # share left over, so that clean signals do not count without end
# Errors of neighbouring samples go together over about this time (seen in rendered clips).
ERROR_TIME_S = 0.3
FAR_HALF = 0.5  # of the way
EASE = 0.05  # how much slower than evenly a circle begins and ends (common practice, no source)


def progress(time_s: Floats, span: Span) -> Floats:
    """How far out the movement is at each time (T,), 0 at rest to 1 at the far end.

    Between a half-cosine and a minimum-jerk course.
    """
    out = (time_s - span.start_s) / max(span.arrive_s - span.start_s, SHORTEST_PHASE_S)
    back = (span.end_s - time_s) / max(span.end_s - span.leave_s, SHORTEST_PHASE_S)
    x = np.clip(np.minimum(out, back), 0.0, 1.0)
    half_cosine, minimum_jerk = (1 - np.cos(np.pi * x)) / 2, x**3 * (10 - 15 * x + 6 * x * x)
    return np.asarray((half_cosine + minimum_jerk) / 2)


def far_half(time_s: Floats, span: Span) -> NDArray[np.bool_]:
    """Times (T,) in the farther half of the way: what happens there is not told from what was seen before."""
    return np.asarray(progress(time_s, span) >= FAR_HALF)


def columns(time_s: Floats, span: Span, shape: Shape) -> Floats:
    """The course of a repetition as columns (T, K): one, or two where two things go on at once."""
    if shape == "circle":
        share = np.clip((time_s - span.start_s) / max(span.duration_s, SHORTEST_PHASE_S), 0.0, 1.0)
        turn = 2 * np.pi * (share - EASE * np.sin(2 * np.pi * share))
        return np.column_stack([np.cos(turn), np.sin(turn)])
    if shape == "cycle" and span.complete:
        halves = ((span.start_s, span.turn_s), (span.turn_s, span.end_s))
        return np.column_stack([_arch(time_s, start, end) for start, end in halves])
    return progress(time_s, span)[:, None]


def _arch(time_s: Floats, start_s: float, end_s: float) -> Floats:
    """Half a sine wave between two times (T,)."""
    share = (time_s - start_s) / max(end_s - start_s, SHORTEST_PHASE_S)
    return np.sin(np.pi * np.clip(share, 0.0, 1.0))


def windows(spans: Sequence[Span]) -> list[tuple[float, float]]:
    """Each repetition's time with the rest on both sides, up to half-way to its neighbours [s]."""
    starts = [-np.inf, *(s.end_s for s in spans)]
    ends = [*(s.start_s for s in spans[1:]), np.inf]
    return [
        (max(s.start_s - REST_S, (before + s.start_s) / 2), min(s.end_s + REST_S, (after + s.end_s) / 2))
        for s, before, after in zip(spans, starts, ends, strict=False)
    ]


def paths(motion: Motion, exercise: Exercise, span: Span) -> Floats | None:
    """The signals that follow the course (T, signals): the driver, and of a circle the one across it, too."""
    movement = exercise.movement
    side: Side | None = None if span.side == "both" else span.side
    sums = [movement.driver, movement.across] if movement.across else [movement.driver]
    found = [weighted(motion, weights, side, CUTOFF_HZ) for weights in sums]
    there = [f for f in found if f is not None]
    return np.column_stack(there) if len(there) == len(found) else None


def fit(time_s: Floats, path: Floats, span: Span, shape: Shape) -> tuple[Floats, float]:
    """Least squares of rest, a straight drift and the course to a path (T, signals).

    The weights of the course (K, signals) and the sum of squares left over.
    """
    # A slope would take over part of a circle's sine.
    rest = _drift(time_s)[:, :1] if shape == "circle" else _drift(time_s)
    basis = np.column_stack([rest, columns(time_s, span, shape)])
    weights = np.asarray(np.linalg.lstsq(basis, path, rcond=None)[0], float)
    return weights[rest.shape[1] :], float(((path - basis @ weights) ** 2).sum())


def _drift(time_s: Floats) -> Floats:
    return np.column_stack([np.ones_like(time_s), time_s - time_s.mean()])


def gains(spans: Sequence[Span], motion: Motion, exercise: Exercise) -> list[float]:
    """How much likelier each span (in order) is than a mere drift: difference in log-likelihood.

    Errors of neighbouring samples go together, so only one in `ERROR_TIME_S` counts.
    """
    found = []
    for span, window in zip(spans, windows(spans), strict=True):
        inside = (motion.time_s >= window[0]) & (motion.time_s <= window[1])
        path = paths(motion, exercise, span)
        if path is None or inside.sum() <= FEWEST_SAMPLES:
            found.append(0.0)
        else:
            found.append(_gain(motion.time_s[inside], path[inside], span, exercise.movement.shape))
    return found


def _gain(time_s: Floats, path: Floats, span: Span, shape: Shape) -> float:
    drift = _drift(time_s)
    spread = float(((path - drift @ np.linalg.lstsq(drift, path, rcond=None)[0]) ** 2).sum())
    if spread == 0:
        return 0.0
    share = max(fit(time_s, path, span, shape)[1] / spread, AS_GOOD_AS_PERFECT)
    return float(-0.5 * path.shape[1] * (time_s[-1] - time_s[0]) / ERROR_TIME_S * np.log(share))
