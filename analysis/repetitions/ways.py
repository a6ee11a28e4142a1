"""How far each repetition went, by what moves in the picture: for comparing repetitions of one set.

The pose model and the corrector know the size of usual movements and draw an unusually large one towards it;
where a point of the body goes in the picture is free of that, and of a pelvis that turns along.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from analysis.exercises import Exercise
from analysis.records import Floats, Observations
from analysis.repetitions.picture import LEAST_WAY, calm_px, trunk_px
from analysis.repetitions.span import Span

FAR_END_S: Final = 0.15  # on both sides of the turn


def ways(spans: Sequence[Span], observations: Observations, exercise: Exercise) -> Floats:
    """Way (N,) of each repetition from rest to its turn, as a share of the trunk's length in the picture.

    NaN where the exercise has no `range.marks`, or nothing but noise was seen.
    """
    out = np.full(len(spans), np.nan)
    trunk = trunk_px(observations)
    if not exercise.range.marks or trunk <= 0:
        return out
    for i, span in enumerate(spans):
        way = _way_px(span, observations, exercise) / trunk
        out[i] = way if span.complete and way > LEAST_WAY else np.nan
    return out


def _way_px(span: Span, observations: Observations, exercise: Exercise) -> float:
    t, marks = observations.time_s, exercise.range.marks
    calm = calm_px(observations, marks, span.side)
    known = np.isfinite(calm).all(axis=1)
    if known.sum() < 2:
        return float("nan")
    margin = max(FAR_END_S, (span.leave_s - span.arrive_s) / 2)
    far = known & (np.abs(t - span.turn_s) <= margin)
    if not far.any():
        return float("nan")
    ends = [
        [np.interp(at, t[known], column) for column in calm[known].T] for at in (span.start_s, span.end_s)
    ]
    away = np.median(calm[far], axis=0) - np.mean(ends, axis=0)
    return float(np.linalg.norm(away) / np.sqrt(len(marks)))
