"""The part of a clip in which the client is in position: after lying down, and before getting up.

What the legs do while the whole body takes its place is no repetition, and must not be taken for rest.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from typing import Final

import numpy as np

from analysis.conventions import TRUNK_CURL
from analysis.exercises import Exercise
from analysis.records import Floats, Motion
from analysis.repetitions.signals import bridged, is_seen

# The chest this far from where it is for most of the clip: sitting, not an exercise; and this near, it may
# be back in its place, or in a bridge (both common practice, no source).
UP_DEG: Final = 45.0
NEAR_DEG: Final = 25.0
CUTOFF_HZ: Final = 1.0


def in_position(motion: Motion, exercise: Exercise) -> Motion:
    """The longest part (t,) of a motion in which the chest stays down; all of it where that is not seen.

    Of an exercise that raises the chest itself, everything.
    """
    if TRUNK_CURL in exercise.movement.driver or not is_seen(motion, TRUNK_CURL):
        return motion
    curl = bridged(motion, TRUNK_CURL, CUTOFF_HZ)
    away = np.abs(curl - np.median(curl))
    bounds = [0, *(edge for episode in _episodes(away) for edge in episode), len(away)]
    parts = list(pairwise(bounds))[::2]
    return _part(motion, slice(*max(parts, key=lambda p: p[1] - p[0])))


def _episodes(away: Floats) -> list[tuple[int, int]]:
    """First and last + 1 sample of each time that the chest is up, with the way there and back."""
    changes = np.diff(np.concatenate([[False], away > UP_DEG, [False]]).astype(int))
    begins, ends = np.flatnonzero(changes == 1), np.flatnonzero(changes == -1)
    found: list[tuple[int, int]] = []
    for begin, end in zip(begins, ends, strict=True):
        first, last = len(away) - _settled(away[::-1], len(away) - int(begin)), _settled(away, int(end))
        if found and first <= found[-1][1]:
            first = found.pop()[0]
        found.append((first, last))
    return found


def _settled(away: Floats, i: int) -> int:
    """The sample from i on at which the chest is near its place and comes no nearer."""
    while i < len(away) and (away[i] > NEAR_DEG or away[i] < away[i - 1]):
        i += 1
    return i


def _part(motion: Motion, inside: slice) -> Motion:
    values = {name: signal[inside] for name, signal in motion.values.items()}
    return replace(motion, time_s=motion.time_s[inside], values=values)
