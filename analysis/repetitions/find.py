"""The walk from a motion to its repetitions."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from analysis.conventions import Side
from analysis.exercises import Exercise
from analysis.records import Motion
from analysis.repetitions import circles, course, cycles, humps
from analysis.repetitions.family import belonging
from analysis.repetitions.position import in_position
from analysis.repetitions.span import Span
from analysis.repetitions.tracks import Track, tracks

# Swings below this share of the set's usual height are not movements of their own: the smallest
# repetition that is still one of the set is about half as high as the usual.
LEAST_SHARE = 0.3
# Beside others of its side a movement counts that alone would be too small to tell from noise: this share of
# the least that could begin a set. A side of which all are so small is one whose angles hardly show it.
FEWEST_OF_SIDE, LEAST_IN_SET = 2, 0.6
FEWEST_SAMPLES = 10
# Low-pass cut-offs: some to begin with, the first of which keeps a phase of 0.6 s, then one for the
# set's own phases [Hz, and Hz x s]: noise goes, the course of the movement stays.
FIRST_CUTOFFS_HZ = (1.6, 0.8, 0.5)
CUTOFF_PER_PHASE = 2.0
SLOWEST_CUTOFF_HZ, FASTEST_CUTOFF_HZ = 0.6, 2.5
# What a movement must gain in log-likelihood to be worth its own edges, and what a set of low movements
# must gain on top (on simulated motionless people, noise alone reached 15; a set 28 and more).
WORTH, WORTH_OF_LOW_SET, LOW = 7.0, 18.0, 2.5


def find(motion: Motion, exercise: Exercise, side: Side | None = None) -> tuple[Span, ...]:
    """Repetitions of the exercise in the order of time; empty where nothing like it happens.

    `side` is the working side where the client does the exercise on one side only. An unfinished last
    repetition comes with `complete` false. A gap in the signals neither splits nor adds a repetition;
    `measured` says how much of each one was seen.
    """
    motion = in_position(motion, exercise)
    if len(motion.time_s) < FEWEST_SAMPLES:
        return ()
    tries = [_try(motion, exercise, side, hz, exercise.movement.least_deg) for hz in FIRST_CUTOFFS_HZ]
    best = max(tries, key=lambda t: t.worth)
    if not best.spans:
        return ()
    alone, inside = best, _in_set(exercise, best.spans)
    swing = max(inside.movement.least_deg, LEAST_SHARE * float(np.median([s.height for s in best.spans])))
    tries = [_try(motion, inside, side, hz, swing) for hz in (*FIRST_CUTOFFS_HZ, _cutoff_hz(best.spans))]
    best = max([best, *tries], key=lambda t: t.worth)
    found = _beside_others(best.spans, alone.spans, exercise.movement.least_deg)
    if exercise.movement.shape == "circle":
        found = circles.refined(found, motion, exercise)
    return tuple(_with_seen(span, best.tracks) for span in found)


@dataclass(frozen=True)
class _Try:
    """What one cut-off shows, and how much likelier that is than nothing; no spans where noise would do."""

    tracks: list[Track]
    spans: list[Span]
    worth: float


def _in_set(exercise: Exercise, spans: Sequence[Span]) -> Exercise:
    """The exercise with the least movement that counts beside those found."""
    share = LEAST_IN_SET if len(spans) > FEWEST_OF_SIDE else 1.0
    movement = exercise.movement.model_copy(update={"least_deg": share * exercise.movement.least_deg})
    return exercise.model_copy(update={"movement": movement})


def _beside_others(spans: Sequence[Span], alone: Sequence[Span], least_deg: float) -> list[Span]:
    """Without small ones of a side of which too few were found before small ones counted."""
    before = Counter(span.side for span in alone)
    left, kept = Counter(before), []
    for span in sorted(spans, key=lambda s: -s.height):
        left[span.side] -= 1
        if span.height >= least_deg or before[span.side] >= FEWEST_OF_SIDE or left[span.side] >= 0:
            kept.append(span)
    return sorted(kept, key=lambda s: s.start_s)


def _try(motion: Motion, exercise: Exercise, side: Side | None, cutoff_hz: float, swing: float) -> _Try:
    seen = tracks(motion, exercise, side, cutoff_hz)
    found = belonging(_cut(seen, swing, exercise), motion, exercise)
    worth = sum(gain - WORTH for gain in course.gains(found, motion, exercise))
    low = bool(found) and np.median([s.height for s in found]) < LOW * exercise.movement.least_deg
    return _Try(seen, [], 0.0) if low and worth < WORTH_OF_LOW_SET else _Try(seen, found, worth)


def _cut(seen: Sequence[Track], swing: float, exercise: Exercise) -> list[Span]:
    cut = cycles.cut if exercise.movement.shape == "cycle" else humps.cut
    return cut(seen, swing)


def _with_seen(span: Span, calm: Sequence[Track]) -> Span:
    """The span with the share of it that was seen."""
    track = next(t for t in calm if t.side == span.side)
    inside = (track.time_s >= span.start_s) & (track.time_s <= span.end_s)
    return replace(span, measured=float(track.seen[inside].mean()) if inside.any() else 0.0)


def _cutoff_hz(spans: Sequence[Span]) -> float:
    phases = [s.arrive_s - s.start_s for s in spans] + [s.end_s - s.leave_s for s in spans]
    return float(np.clip(CUTOFF_PER_PHASE / np.median(phases), SLOWEST_CUTOFF_HZ, FASTEST_CUTOFF_HZ))
