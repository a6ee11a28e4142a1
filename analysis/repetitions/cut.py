"""From a motion and what was seen to the repetitions: found by angles, completed and timed by the picture."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from analysis.conventions import Side
from analysis.exercises import Exercise
from analysis.records import Floats, Motion, Observations
from analysis.repetitions.far_end import with_far_ends
from analysis.repetitions.find import find
from analysis.repetitions.hidden import added
from analysis.repetitions.other_way import with_other_way
from analysis.repetitions.picture import timed
from analysis.repetitions.shown import completed, shown
from analysis.repetitions.span import Span
from analysis.repetitions.ways import rolled, ways

MANY_MORE: Final = 2  # times as many by the picture as by angles: the angles missed the set


def cut(
    motion: Motion,
    observations: Observations,
    exercise: Exercise,
    side: Side | None = None,
    roll: Floats | None = None,
) -> tuple[Span, ...]:
    """Repetitions of the exercise in the order of time, as `find` tells them, with what the picture adds.

    roll (T,) [deg]: of the knees, as the picture tells it, where they roll from side to side.
    """
    pictures = shown(motion, observations, exercise, side)
    by_angles = completed(find(motion, exercise, side), pictures)
    missed = len(pictures) >= MANY_MORE * max(1, len(by_angles))
    found = added(pictures if missed else by_angles, observations, exercise)
    spans = timed(with_other_way(found, observations, exercise, side), observations, exercise)
    spans = with_far_ends(spans, motion, exercise)
    far = ways(spans, observations, exercise) if roll is None else rolled(spans, observations.time_s, roll)
    return tuple(replace(span, way=float(way)) for span, way in zip(spans, far, strict=True))
