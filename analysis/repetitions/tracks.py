"""One curve a side that is low at rest and high when the movement is out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.conventions import SIDES, Side
from analysis.exercises import Exercise
from analysis.records import Floats, Motion, RepetitionSide
from analysis.repetitions.signals import bridged, is_seen, weighted

STILL_START_S = 1.0
REST_SHARE = 0.2  # of the time, at least, is spent at rest (common practice, no source)
MOST_COMPARED = 400  # samples, for a long clip not to take long


@dataclass(frozen=True, eq=False)
class Track:
    """The movement of one side: time (T,) [s], curve (T,) [deg], share of it that was seen (T,).

    `far` (T,) [deg] tells when the far end is reached; it is the curve itself for most exercises.
    `onset` is the exercise's, for finding where its movements begin.
    """

    side: RepetitionSide
    time_s: Floats
    curve: Floats
    far: Floats
    seen: Floats
    onset: float


def tracks(motion: Motion, exercise: Exercise, side: Side | None, cutoff_hz: float) -> list[Track]:
    """Tracks of the sides that may have moved, low-pass filtered; none where the clip does not show them."""
    if exercise.movement.shape == "roll":
        return _rolls(motion, exercise, side, cutoff_hz)
    wanted: tuple[Side | None, ...] = (None,) if exercise.sides == "both" else (side,) if side else SIDES
    made = (_one(motion, exercise, one, cutoff_hz) for one in wanted)
    return [track for track in made if track is not None]


def _one(motion: Motion, exercise: Exercise, side: Side | None, cutoff_hz: float) -> Track | None:
    movement = exercise.movement
    driver = weighted(motion, movement.driver, side, cutoff_hz)
    if driver is None:
        return None
    if movement.follow == "driver":
        return _track(motion, exercise, side or "both", driver, driver)
    names = [name.format(side=side) for name in movement.path]
    path = np.column_stack([bridged(motion, name, cutoff_hz) for name in names if is_seen(motion, name)])
    away = path - rest(path)
    if movement.shape == "circle":
        # The circle passes through rest, so its middle lies in the mean direction from there.
        across = np.mean(away, axis=0)
        curve = away @ across / np.linalg.norm(across)
        return _track(motion, exercise, side or "both", curve, curve)
    return _track(motion, exercise, side or "both", np.linalg.norm(away, axis=1), driver)


def _track(motion: Motion, exercise: Exercise, side: RepetitionSide, curve: Floats, far: Floats) -> Track:
    names = [name.format(side=side) for name in exercise.movement.driver]
    used = [np.isfinite(motion.values[name]) for name in names if is_seen(motion, name)]
    return Track(side, motion.time_s, curve, far, np.mean(used, axis=0), exercise.movement.onset)


def rest(path: Floats) -> Floats:
    """Posture of rest (signals,) of a path (T, signals) [deg]: the one in which most time is spent.

    Whatever is done before the set does not count, nor do far ends, which differ more.
    """
    some = path[:: max(1, len(path) // MOST_COMPARED)]
    apart = np.linalg.norm(some[:, None] - some, axis=2)
    nearest = np.sort(apart, axis=1)[:, int(REST_SHARE * (len(some) - 1))]
    at = int(np.argmin(nearest))
    return np.asarray(np.median(some[apart[at] <= nearest[at]], axis=0), float)


def _rolls(motion: Motion, exercise: Exercise, side: Side | None, cutoff_hz: float) -> list[Track]:
    """Left and right of the middle as two tracks."""
    driver = weighted(motion, exercise.movement.driver, None, cutoff_hz)
    if driver is None:
        return []
    out = driver - _middle(motion.time_s, driver)
    both: dict[Side, Floats] = {"left": np.maximum(out, 0.0), "right": np.maximum(-out, 0.0)}
    return [_track(motion, exercise, one, both[one], both[one]) for one in SIDES if side in (None, one)]


def _middle(time_s: Floats, driver: Floats) -> float:
    """Level between the sides: the still start, then the slow moments near it [deg]."""
    middle = float(np.median(driver[time_s < time_s[0] + STILL_START_S]))
    reach = np.quantile(np.abs(driver - middle), 0.95)
    speed = np.abs(np.gradient(driver, time_s))
    slow_and_near = (speed <= np.quantile(speed, 0.4)) & (np.abs(driver - middle) <= 0.35 * reach)
    return float(np.median(driver[slow_and_near])) if slow_and_near.sum() > 5 else middle
