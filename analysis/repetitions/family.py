"""Which of the movements found are repetitions of one set, and which are something else."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from analysis.conventions import TRUNK_CURL, Side
from analysis.exercises import Exercise
from analysis.records import Motion
from analysis.repetitions.signals import bridged, is_seen, weighted
from analysis.repetitions.span import Span

# All common practice, no source: wide limits, to drop what no client does on purpose.
SMALLEST, LARGEST = 0.3, 2.5  # share of the set's usual height
LONGEST = 3.0  # share of the set's usual time
OVERLAP = 0.3  # of the shorter of two, for them to be the same movement seen twice
OTHER_SHARE, OTHER_DEG = 0.75, 6.0  # the other leg stays quieter than this share of the moving one
TRUNK_DEG = 45.0  # a larger turn of the chest is sitting up or lying down
FEWEST_TO_COMPARE = 3
CUTOFF_HZ = 1.0  # for what should not move


def belonging(found: Sequence[Span], motion: Motion, exercise: Exercise) -> list[Span]:
    """The repetitions among the found movements, in the order of time, none overlapping."""
    fit = [s for s in found if s.height >= 0.8 * exercise.movement.least_deg]
    if exercise.sides == "one":
        fit = _busier_side(fit)
    fit = [s for s in _strongest(fit) if _alone(s, motion, exercise)]
    whole = _of_usual_size([s for s in fit if s.complete])
    unfinished = [s for s in fit if not s.complete and _unfinished(s, whole)]
    return _apart(sorted([*whole, *unfinished], key=lambda s: s.start_s))


def _busier_side(found: Sequence[Span]) -> list[Span]:
    """Movements of the side that moves more: the other leg only seems to."""
    total: dict[str, float] = {}
    for span in found:
        total[span.side] = total.get(span.side, 0.0) + span.height
    return [s for s in found if s.side == max(total, key=total.__getitem__)]


def _strongest(found: Sequence[Span]) -> list[Span]:
    """Of movements at the same time, the highest."""
    kept: list[Span] = []
    for span in sorted(found, key=lambda s: -s.height):
        if all(_shared(span, other) <= OVERLAP for other in kept):
            kept.append(span)
    return kept


def _shared(a: Span, b: Span) -> float:
    """Overlap of two as a share of the shorter."""
    both = min(a.end_s, b.end_s) - max(a.start_s, b.start_s)
    return both / max(min(a.duration_s, b.duration_s), 1e-6)


def _alone(span: Span, motion: Motion, exercise: Exercise) -> bool:
    """Whether only what should move moves: not both legs, not the whole body."""
    inside = (motion.time_s >= span.start_s) & (motion.time_s <= span.end_s)
    may_curl = TRUNK_CURL in exercise.movement.driver or not is_seen(motion, TRUNK_CURL)
    if not may_curl and np.ptp(bridged(motion, TRUNK_CURL, CUTOFF_HZ)[inside]) > TRUNK_DEG:
        return False
    if exercise.sides != "alternating" or exercise.movement.shape == "roll":
        return True
    other: Side = "right" if span.side == "left" else "left"
    curve = weighted(motion, exercise.movement.driver, other, CUTOFF_HZ)
    if curve is None:
        return True
    low, high = np.quantile(curve[inside], [0.1, 0.9])
    return bool(high - low <= OTHER_SHARE * span.height + OTHER_DEG)


def _of_usual_size(whole: Sequence[Span]) -> list[Span]:
    """Movements of about the height and time of the others."""
    if len(whole) < FEWEST_TO_COMPARE:
        return list(whole)
    height = float(np.median([s.height for s in whole]))
    time = float(np.median([s.duration_s for s in whole]))
    return [
        s
        for s in whole
        if SMALLEST * height <= s.height <= LARGEST * height and s.duration_s <= LONGEST * time
    ]


def _unfinished(span: Span, whole: Sequence[Span]) -> bool:
    """Whether a movement that the clip cuts off looks like another repetition of the set."""
    if not whole or span.start_s < max(s.end_s for s in whole) - 0.5:
        return False
    height = float(np.median([s.height for s in whole]))
    time = float(np.median([s.duration_s for s in whole]))
    return 0.5 * height <= span.height <= 1.5 * height and span.duration_s <= 1.5 * time


def _apart(ordered: Sequence[Span]) -> list[Span]:
    """The same spans, with overlapping ends set to the middle between them."""
    out = list(ordered)
    for i in range(len(out) - 1):
        a, b = out[i], out[i + 1]
        if a.end_s > b.start_s:
            between = (a.end_s + b.start_s) / 2
            out[i], out[i + 1] = replace(a, end_s=between), replace(b, start_s=between)
    return out
