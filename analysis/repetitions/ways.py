"""How far each repetition went, by what moves in the picture: for comparing repetitions of one set.

The pose model and the corrector know the size of usual movements and draw an unusually large one towards it;
where a point of the body goes in the picture is free of that, and of a pelvis that turns along.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from analysis.conventions import SIDES
from analysis.exercises import Exercise
from analysis.records import Floats, Observations
from analysis.repetitions.picture import LEAST_WAY, calm_px, trunk_px
from analysis.repetitions.span import Span

FAR_END_S: Final = 0.15  # on both sides of the turn
LEAST_ROLL_DEG: Final = 5.0  # a smaller one may be noise alone
MOST_ROLL_DEG: Final = 70.0  # there the knees lie on the mat
# Of the logarithms of the ratio of both sides: twice how far they are apart (root mean square) on 53 rendered
# clips.
MOST_APART: Final = 0.5


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


def rolled(spans: Sequence[Span], time_s: Floats, roll_deg: Floats) -> Floats:
    """The same for rolls of the knees (T,) [deg]: angle (N,) from rest to the turn.

    NaN for all where one goes further than knees go, or the sides compare otherwise than by angles: the
    picture was misread.
    """
    out = np.full(len(spans), np.nan)
    for i, span in enumerate(spans):
        away = _away(span, time_s, roll_deg[:, None])
        way = float("nan") if away is None else abs(float(away[0]))
        out[i] = way if span.complete and way > LEAST_ROLL_DEG else np.nan
    apart = abs(_left_to_right(spans, out) - _left_to_right(spans, np.array([s.height for s in spans])))
    misread = np.nanmax(out, initial=0.0) > MOST_ROLL_DEG or apart > MOST_APART
    return np.full_like(out, np.nan) if misread else out


def _left_to_right(spans: Sequence[Span], sizes: Floats) -> float:
    """Logarithm of how many times larger the usual one (N,) to the left is; NaN where a side has none."""
    left, right = (sizes[[s.side == side and np.isfinite(size) for s, size in zip(spans, sizes, strict=True)]]
                   for side in SIDES)  # fmt: skip
    return float(np.log(np.median(left) / np.median(right))) if left.size and right.size else float("nan")


def _way_px(span: Span, observations: Observations, exercise: Exercise) -> float:
    marks = exercise.range.marks
    away = _away(span, observations.time_s, calm_px(observations, marks, span.side))
    return float("nan") if away is None else float(np.linalg.norm(away) / np.sqrt(len(marks)))


def _away(span: Span, time_s: Floats, calm: Floats) -> Floats | None:
    """Values (T, k) at the turn, from where they are at the start and end; None where they were not seen."""
    known = np.isfinite(calm).all(axis=1)
    margin = max(FAR_END_S, (span.leave_s - span.arrive_s) / 2)
    far = known & (np.abs(time_s - span.turn_s) <= margin)
    if known.sum() < 2 or not far.any():
        return None
    ends = [
        [np.interp(at, time_s[known], column) for column in calm[known].T]
        for at in (span.start_s, span.end_s)
    ]
    return np.asarray(np.median(calm[far], axis=0) - np.mean(ends, axis=0))
