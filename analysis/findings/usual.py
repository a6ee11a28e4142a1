"""What is usual in a set: the value around which its repetitions agree."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from analysis.records import Floats, RepetitionSide

FEWEST = 3  # repetitions, before a set has anything usual


def usual(values: Sequence[float | None], sides: Sequence[RepetitionSide]) -> list[float]:
    """The usual value for each repetition, from its own side as far as that has a say; NaN without one.

    A side with few repetitions cannot tell a fault from its habit, so the whole set has one vote in it.
    """
    known = np.array([np.nan if v is None else v for v in values], float)
    pooled = centre(known[np.isfinite(known)])
    if np.isfinite(known).sum() < FEWEST:
        return [np.nan] * len(known)
    own = {
        side: centre(
            np.append([v for v, s in zip(known, sides, strict=True) if s == side and np.isfinite(v)], pooled)
        )
        for side in set(sides)
    }
    return [own[side] for side in sides]


def unhurried(phases_s: Sequence[float]) -> float:
    """The set's own time of a phase (N,) [s], in its upper middle: haste only shortens. NaN without one."""
    return float(np.quantile(phases_s, 0.7)) if len(phases_s) >= FEWEST else np.nan


def centre(values: Floats) -> float:
    """Median of the half of the values (N,) that lie closest together; NaN for none.

    With faults in some repetitions the plain median moves towards them; sound ones lie close together.
    """
    if len(values) == 0:
        return np.nan
    ordered = np.sort(values)
    half = len(ordered) // 2 + 1
    widths = ordered[half - 1 :] - ordered[: len(ordered) - half + 1]
    first = int(np.argmin(widths))
    return float(np.median(ordered[first : first + half]))


def spread(values: Sequence[float]) -> float:
    """One-sided 95 % spread of values (N,) around their median, whatever a few do; NaN for too few."""
    if len(values) < FEWEST:
        return np.nan
    return float(1.645 * 1.4826 * np.median(np.abs(np.asarray(values) - np.median(values))))
