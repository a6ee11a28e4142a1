"""Sums of a motion's signals, without gaps and with less noise."""

from __future__ import annotations

import numpy as np

from analysis.conventions import Side
from analysis.filters import smooth
from analysis.records import Floats, Motion

LEAST_MEASURED = 0.3  # share of a signal's samples, for the signal to be used at all


def is_seen(motion: Motion, name: str) -> bool:
    """Whether enough of the signal is there to use it."""
    return name in motion.values and bool(np.isfinite(motion.values[name]).mean() >= LEAST_MEASURED)


def filled(motion: Motion, name: str) -> Floats:
    """The signal (T,) without gaps: across one it goes straight on to its next state."""
    values = motion.values[name]
    there = np.isfinite(values)
    return np.interp(motion.time_s, motion.time_s[there], values[there])


def bridged(motion: Motion, name: str, cutoff_hz: float) -> Floats:
    """The same (T,) low-pass filtered."""
    return smooth(motion.time_s, filled(motion, name), cutoff_hz, np.inf)


def weighted(motion: Motion, weights: dict[str, float], side: Side | None, cutoff_hz: float) -> Floats | None:
    """Weighted sum of signals (T,) [deg], as `bridged`; None where none of them is seen.

    Where one signal is not seen at all, the others take over its weight.
    """
    named = {name.format(side=side): weight for name, weight in weights.items()}
    usable = [name for name in named if is_seen(motion, name)]
    if not usable:
        return None
    scale = sum(map(abs, named.values())) / sum(abs(named[name]) for name in usable)
    total = np.zeros(len(motion.time_s))
    for name in usable:
        total += scale * named[name] * bridged(motion, name, cutoff_hz)
    return total
