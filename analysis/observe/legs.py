"""Legs told apart: for some pictures a pose model may take one leg for the other, or both for the same.

Where both legs change places from one picture to the next, they are changed back; where one jumps away and
back faster than a leg can move, it is told as lost.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.conventions import SIDES, Side
from analysis.records import Floats, Observations

Rows = NDArray[np.bool_]

_POINTS: Final = {"left": np.array([25, 27, 29, 31]), "right": np.array([26, 28, 30, 32])}  # knee to toe
_LONGEST_GAP_S: Final = 0.5  # after it nobody can say which leg is which by where it was
# Cost of a change of places, and of a second spent changed, in mean ways of knee, ankle, heel and toe from
# picture to picture [lengths of the shank]; a way counts for no more than one. In rendered clips a change of
# places moved both legs by 2 in all, which its undoing left at 0.1 to 0.6; a rushed repetition moves 0.5.
_MOST, _CHANGE, _PER_SECOND = 1.0, 0.2, 1.5
# Faster than a leg moves: 5 lengths of the shank a second at most in rushed repetitions.
_TOO_FAST: Final = 7.0
_LONGEST_JUMP_S: Final = 1.0


def told_apart(seen: Observations) -> Observations:
    """The same with landmarks of the legs changed back where the pose model changed them."""
    changed = _changed(seen)
    if not changed.any():
        return seen
    order = np.arange(seen.landmarks_px.shape[1])
    order[[*_POINTS["left"], *_POINTS["right"]]] = [*_POINTS["right"], *_POINTS["left"]]

    def back(values: Floats) -> Floats:
        out = values.copy()
        out[changed] = values[changed][:, order]
        return out

    return seen.with_poses(back)


def lost(seen: Observations) -> dict[Side, Rows]:
    """Pictures (T,) in which a leg was somewhere it cannot have moved to and back from, by side."""
    out = {side: np.zeros(len(seen.time_s), bool) for side in SIDES}
    rows, time_s, px = _known(seen)
    for side in SIDES:
        speed = _ways(px, side, side) / np.diff(time_s)
        jumps = np.flatnonzero(speed > _TOO_FAST) + 1
        for there, back in pairwise(jumps):
            if time_s[back] - time_s[there] <= _LONGEST_JUMP_S and not out[side][rows[there - 1]]:
                out[side][rows[there:back]] = True
    return out


def _known(seen: Observations) -> tuple[NDArray[np.intp], Floats, Floats]:
    """Rows in which the client is seen, their times and their landmarks in lengths of the shank."""
    rows = np.flatnonzero(np.isfinite(seen.landmarks_px[:, 0, 0]))
    px = seen.landmarks_px[rows]
    shanks = [np.linalg.norm(px[:, knee] - px[:, ankle], axis=1) for knee, ankle in ((25, 27), (26, 28))]
    return rows, seen.time_s[rows], px / np.median(shanks) if len(rows) else px


def _ways(px: Floats, before: Side, now: Side) -> Floats:
    """Mean way (T - 1,) of the points of a leg, were it `before` in one picture and `now` in the next."""
    apart = px[1:, _POINTS[now]] - px[:-1, _POINTS[before]]
    return np.asarray(np.linalg.norm(apart, axis=2).mean(axis=1))


def _capped(px: Floats, before: Side, now: Side) -> Floats:
    return np.minimum(_ways(px, before, now), _MOST)


def _changed(seen: Observations) -> Rows:
    """Pictures (T,) in which the legs have changed places: the likeliest course (Viterbi) of both legs."""
    out = np.zeros(len(seen.time_s), bool)
    rows, time_s, px = _known(seen)
    if len(rows) < 2:
        return out
    keep = _capped(px, "left", "left") + _capped(px, "right", "right")
    change = _capped(px, "left", "right") + _capped(px, "right", "left") + _CHANGE
    passed_s = np.diff(time_s)
    follows = passed_s <= _LONGEST_GAP_S
    keep, change = np.where(follows, keep, 0.0), np.where(follows, change, _CHANGE)
    out[rows] = _cheapest(keep, change, _PER_SECOND * passed_s)
    return out


def _cheapest(keep: Floats, change: Floats, stay: Floats) -> Rows:
    """Which of two states is cheapest (T,): what it costs to keep it, to change it, to stay in the second."""
    cost, came = np.array([0.0, np.inf]), []
    for same, other, second in zip(keep, change, stay, strict=True):
        ways = np.array([[cost[0] + same, cost[1] + other], [cost[0] + other, cost[1] + same]])
        came.append(ways.argmin(axis=1))
        cost = ways.min(axis=1) + np.array([0.0, second])
    state = [int(cost.argmin())]
    for before in reversed(came):
        state.append(int(before[state[-1]]))
    return np.array(state[::-1], bool)
