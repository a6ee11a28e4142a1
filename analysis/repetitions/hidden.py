"""Repetitions of the leg that the other one hides.

From the side, the far leg's angles may hardly move; where its foot or knee goes in the picture is still
seen. Only beside repetitions that the angles show, and like them: alone it would be too little to go by.
That the leg moved and when is then known, but not by how many degrees.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from analysis.conventions import SIDES, Side
from analysis.exercises import Exercise
from analysis.records import Floats, Motion, Observations
from analysis.repetitions import humps
from analysis.repetitions.picture import ONSET, calm_px, trunk_px
from analysis.repetitions.span import Span
from analysis.repetitions.tracks import Track

FEWEST: Final = 2  # repetitions by the angles, to compare with
LEAST_WAY: Final = 0.06  # of the trunk's length in the picture
LEAST_SHARE: Final = 0.35  # of the usual way: of the hidden leg the pose model shows about half
LIKE: Final = (0.5, 1.6)  # share of the usual time
NEAR: Final = 1.5  # usual times between it and the set, at most
OVERLAP_S: Final = 0.3
OTHER_SHARE: Final = 0.6  # the other leg stays quieter than this share of the moving one


def added(spans: Sequence[Span], observations: Observations, exercise: Exercise) -> tuple[Span, ...]:
    """The spans, and those of the hidden leg between and beside them, in the order of time."""
    movement, whole = exercise.movement, [s for s in spans if s.complete]
    sided = any("{side}" in name for name in movement.marks)
    if exercise.sides != "alternating" or movement.shape != "return" or not sided or len(whole) < FEWEST:
        return tuple(spans)
    ways = {side: _way(spans, observations, exercise, side) for side in SIDES}
    usual = float(np.median([_height(ways, s, observations.time_s) for s in whole]))
    least = max(LEAST_WAY, LEAST_SHARE * usual)
    found = [new for side in SIDES for new in humps_of(ways[side], side, observations.time_s, least)]
    fit = [new for new in found if belongs(new, spans, whole) and alone(new, ways, observations.time_s)]
    return tuple(sorted([*spans, *apart(fit)], key=lambda s: s.start_s))


def _way(spans: Sequence[Span], observations: Observations, exercise: Exercise, side: Side) -> Floats:
    """How far the marks of a side are from rest (T,), as a share of the trunk's length in the picture."""
    t, marks = observations.time_s, exercise.movement.marks
    calm = calm_px(observations, marks, side)
    at_rest = np.all([(t < s.start_s) | (t > s.end_s) for s in spans], axis=0) & np.isfinite(calm).all(axis=1)
    if not at_rest.any():
        return np.zeros(len(t))
    away = np.linalg.norm(calm - np.median(calm[at_rest], axis=0), axis=1) / np.sqrt(len(marks))
    return np.asarray(np.nan_to_num(away / max(trunk_px(observations), 1.0)))


def _height(ways: dict[Side, Floats], span: Span, time_s: Floats) -> float:
    inside = (time_s >= span.start_s) & (time_s <= span.end_s)
    return max((float(way[inside].max()) for side, way in ways.items() if side == span.side), default=0.0)


def humps_of(way: Floats, side: Side, time_s: Floats, least: float) -> list[Span]:
    """Every way out and back (T,) of at least so much, as spans of a hidden leg."""
    track = Track(side, time_s, way, way, np.ones(len(way)), ONSET)
    return [replace(span, measured=0.0, hidden=True) for span in humps.cut([track], least) if span.complete]


def without_hidden(motion: Motion, spans: Sequence[Span]) -> Motion:
    """The motion without the angles of a leg while it was hidden: they stay near rest and are no measure."""
    values = dict(motion.values)
    for span in spans:
        during = (motion.time_s >= span.start_s) & (motion.time_s <= span.end_s)
        for name in values if span.hidden else ():
            if name.endswith(f"_{span.side}"):
                values[name] = np.where(during, np.nan, values[name])
    return replace(motion, values=values)


def belongs(new: Span, spans: Sequence[Span], whole: Sequence[Span]) -> bool:
    """Whether it is beside the set, as long as its repetitions, and none of them."""
    usual_s = float(np.median([s.duration_s for s in whole]))
    free = all(min(new.end_s, s.end_s) - max(new.start_s, s.start_s) <= OVERLAP_S for s in spans)
    gap_s = min(max(new.start_s - s.end_s, s.start_s - new.end_s) for s in spans)
    return free and gap_s <= NEAR * usual_s and LIKE[0] <= new.duration_s / usual_s <= LIKE[1]


def alone(new: Span, ways: dict[Side, Floats], time_s: Floats) -> bool:
    """Whether the other leg keeps quiet; ways (T,) by side."""
    other: Side = "right" if new.side == "left" else "left"
    inside = (time_s >= new.start_s) & (time_s <= new.end_s)
    quiet = float(np.ptp(ways[other][inside])) if inside.any() else np.inf
    return quiet <= OTHER_SHARE * new.height


def apart(found: Sequence[Span]) -> list[Span]:
    """Of movements at the same time, the higher."""
    kept: list[Span] = []
    for new in sorted(found, key=lambda s: -s.height):
        if all(min(new.end_s, s.end_s) - max(new.start_s, s.start_s) <= OVERLAP_S for s in kept):
            kept.append(new)
    return kept
