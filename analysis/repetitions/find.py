"""The walk from a motion to its repetitions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from analysis.conventions import Side
from analysis.exercises import Exercise
from analysis.records import Motion
from analysis.repetitions import cycles, humps
from analysis.repetitions.family import belonging
from analysis.repetitions.signals import weighted
from analysis.repetitions.span import Span
from analysis.repetitions.tracks import Track, tracks

# Swings below this share of the set's usual height are not movements of their own: the smallest
# repetition that is still one of the set is about half as high as the usual.
LEAST_SHARE = 0.3
FEWEST_SAMPLES = 10
# Low-pass cut-offs: first one that keeps a phase of 0.6 s, then one for the set's own phases
# [Hz, and Hz x s]: noise goes, the course of the movement stays.
FIRST_CUTOFF_HZ = 1.6
CUTOFF_PER_PHASE = 2.0
SLOWEST_CUTOFF_HZ, FASTEST_CUTOFF_HZ = 0.6, 2.5


def find(motion: Motion, exercise: Exercise, side: Side | None = None) -> tuple[Span, ...]:
    """Repetitions of the exercise in the order of time; empty where nothing like it happens.

    `side` is the working side where the client does the exercise on one side only. An unfinished last
    repetition comes with `complete` false. A gap in the signals neither splits nor adds a repetition;
    `measured` says how much of each one was seen.
    """
    if len(motion.time_s) < FEWEST_SAMPLES:
        return ()
    cut = cycles.cut if exercise.movement.shape == "cycle" else humps.cut
    least = exercise.movement.least_deg
    first = belonging(cut(tracks(motion, exercise, side, FIRST_CUTOFF_HZ), least), motion, exercise)
    if not first:
        return ()
    swing = max(least, LEAST_SHARE * float(np.median([s.height for s in first])))
    calm = tracks(motion, exercise, side, _cutoff_hz(first))
    found = belonging(cut(calm, swing), motion, exercise)
    return tuple(_described(span, calm, motion, exercise) for span in found)


def _described(span: Span, calm: Sequence[Track], motion: Motion, exercise: Exercise) -> Span:
    """The span with how much of it was seen, and of a circle which way round it went."""
    inside = (motion.time_s >= span.start_s) & (motion.time_s <= span.end_s)
    track = next(t for t in calm if t.side == span.side)
    seen = float(track.seen[inside].mean()) if inside.any() else 0.0
    way = _way_round(span, motion, exercise, inside) if exercise.movement.shape == "circle" else None
    return replace(span, measured=seen, direction=way)


def _way_round(span: Span, motion: Motion, exercise: Exercise, inside: NDArray[np.bool_]) -> str | None:
    """Which way a circle goes, from the area that it encloses: forward or backward over the top."""
    side: Side | None = None if span.side == "both" else span.side
    movement = exercise.movement
    up, front = (weighted(motion, w, side, FIRST_CUTOFF_HZ) for w in (movement.driver, movement.across))
    if up is None or front is None:
        return None
    x, y = front[inside], up[inside]
    area = float(np.sum(x * np.roll(y, -1) - y * np.roll(x, -1)))
    return "backward over the top" if area > 0 else "forward over the top"


def _cutoff_hz(spans: Sequence[Span]) -> float:
    phases = [s.arrive_s - s.start_s for s in spans] + [s.end_s - s.leave_s for s in spans]
    return float(np.clip(CUTOFF_PER_PHASE / np.median(phases), SLOWEST_CUTOFF_HZ, FASTEST_CUTOFF_HZ))
