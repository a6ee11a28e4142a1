"""Rolls to the side that the angles do not show, found by the picture.

In the picture the knees go one way for one side and another way for the other; where the angles show only
one side, ways against it in between and beside them are those to the other side.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from analysis.conventions import Side
from analysis.exercises import Exercise
from analysis.records import Floats, Observations
from analysis.repetitions.hidden import FEWEST, belongs, humps_of
from analysis.repetitions.picture import calm_px, trunk_px
from analysis.repetitions.span import Span
from analysis.repetitions.tracks import rest

LEAST_WAY: Final = 0.1  # of the trunk's length in the picture: about 5 cm
AGAINST: Final = 0.0  # cosine; rendered people's two ways have -0.2 to -0.7, rolls to one side 0.95 and more


def with_other_way(
    spans: Sequence[Span], observations: Observations, exercise: Exercise, side: Side | None = None
) -> tuple[Span, ...]:
    """The spans, and those of the other side where all are of one, in the order of time."""
    whole = [s for s in spans if s.complete]
    sides = {s.side for s in whole}
    if exercise.movement.shape != "roll" or side or len(sides) != 1 or len(whole) < FEWEST:
        return tuple(spans)
    other: Side = "right" if "left" in sides else "left"
    way = _way_against(whole, observations, exercise)
    found = [
        new for new in humps_of(way, other, observations.time_s, LEAST_WAY) if belongs(new, spans, whole)
    ]
    return tuple(sorted([*spans, *found], key=lambda s: s.start_s))


def _way_against(whole: Sequence[Span], observations: Observations, exercise: Exercise) -> Floats:
    """How far the marks are from rest against the spans' way (T,), as a share of the trunk's length."""
    t, marks = observations.time_s, exercise.movement.marks
    calm = calm_px(observations, marks, "both")
    seen = np.isfinite(calm).all(axis=1)
    if not seen.any():
        return np.zeros(len(t))
    away = np.nan_to_num(calm - rest(calm[seen]))
    known = np.mean([away[np.argmin(np.abs(t - span.turn_s))] for span in whole], axis=0)
    far = np.linalg.norm(away, axis=1)
    against = away @ known < AGAINST * far * np.linalg.norm(known)
    share = far / np.sqrt(len(marks)) / max(trunk_px(observations), 1.0)
    return np.asarray(np.where(against, share, 0.0))
