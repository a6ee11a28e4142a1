"""From a motion and what was seen to the repetitions: found by angles, completed and timed by the picture."""

from __future__ import annotations

from dataclasses import replace

from analysis.conventions import Side
from analysis.exercises import Exercise
from analysis.records import Motion, Observations
from analysis.repetitions.find import find
from analysis.repetitions.hidden import added
from analysis.repetitions.picture import timed
from analysis.repetitions.span import Span
from analysis.repetitions.ways import ways


def cut(
    motion: Motion, observations: Observations, exercise: Exercise, side: Side | None = None
) -> tuple[Span, ...]:
    """Repetitions of the exercise in the order of time, as `find` tells them, with what the picture adds."""
    spans = timed(added(find(motion, exercise, side), observations, exercise), observations, exercise)
    far = ways(spans, observations, exercise)
    return tuple(replace(span, way=float(way)) for span, way in zip(spans, far, strict=True))
