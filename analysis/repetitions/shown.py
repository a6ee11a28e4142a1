"""Sets that only the picture shows.

Of small movements the corrector may read next to nothing, although a foot or knee plainly goes somewhere
and back. Several such ways of one kind, of one leg at a time, are a set: when the leg moved is then known,
but not by how many degrees.
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
from analysis.repetitions.hidden import apart
from analysis.repetitions.picture import ONSET, calm_px, trunk_px
from analysis.repetitions.position import in_position
from analysis.repetitions.span import Span
from analysis.repetitions.tracks import Track, rest

FEWEST: Final = 3  # ways of one kind; fewer may be anything
LEAST_WAY: Final = 0.1  # of the trunk's length in the picture: about 5 cm
PLAINLY_OUT: Final = 0.16  # from here on it is not on its way back to rest, where it stays within 0.02
OTHER_SHARE: Final = 0.7  # the other leg moves less than this share of the moving one
LIKE: Final = (0.5, 2.0)  # share of the usual way and of the usual time
PART: Final = 0.6  # share of the time of a movement; what the angles show of it is only a part
SHORTEST_S: Final = 1.0  # a landmark that jumps is quicker


def shown(
    motion: Motion, observations: Observations, exercise: Exercise, side: Side | None = None
) -> tuple[Span, ...]:
    """The repetitions of such a set in the order of time, all `hidden`; empty where there is none."""
    movement = exercise.movement
    sided = any("{side}" in name for name in movement.marks)
    if movement.shape != "return" or not sided or trunk_px(observations) <= 0:
        return ()
    at = in_position(motion, exercise).time_s
    inside = np.isin(observations.time_s, at)
    time_s = observations.time_s[inside]
    ways = {one: _way(observations, exercise, one)[inside] for one in SIDES}
    wanted = SIDES if side is None else (side,)
    found = [span for one in wanted for span in _humps(ways[one], one, time_s)]
    fit = apart([span for span in found if _quieter(span, ways, time_s)])
    if exercise.sides == "one":
        fit = [span for span in fit if span.side == _busier(fit)]
    return _of_one_kind(fit)


def completed(spans: Sequence[Span], pictures: Sequence[Span]) -> tuple[Span, ...]:
    """The spans by angles; those that are only part of a movement seen in the picture become the whole of it.

    A leg that another one hides at its far end seems to come back there, and may go out twice. By how many
    degrees it went is then unknown, unless the angles show its far end.
    """
    parts = {i: whole for whole in pictures for i, span in enumerate(spans) if _is_part(span, whole)}
    kept = [span for i, span in enumerate(spans) if i not in parts]
    for whole in {id(whole): whole for whole in parts.values()}.values():
        inside = [spans[i] for i, other in parts.items() if other is whole]
        far = [span for span in inside if span.start_s <= whole.turn_s <= span.end_s]
        kept.append(
            replace(whole, height=far[0].height, measured=far[0].measured, hidden=False) if far else whole
        )
    return tuple(sorted(kept, key=lambda s: s.start_s))


def _is_part(span: Span, whole: Span) -> bool:
    shared_s = min(span.end_s, whole.end_s) - max(span.start_s, whole.start_s)
    return (
        span.side == whole.side
        and shared_s > 0.5 * span.duration_s
        and span.duration_s < PART * whole.duration_s
    )


def _way(observations: Observations, exercise: Exercise, side: Side) -> Floats:
    """How far the marks of a side are from where they mostly are (T,), as a share of the trunk's length."""
    marks = exercise.movement.marks
    calm = calm_px(observations, marks, side)
    seen = np.isfinite(calm).all(axis=1)
    if not seen.any():
        return np.zeros(len(calm))
    away = np.linalg.norm(calm - rest(calm[seen]), axis=1) / np.sqrt(len(marks))
    return np.asarray(np.nan_to_num(away / trunk_px(observations)))


def _humps(way: Floats, side: Side, time_s: Floats) -> list[Span]:
    """Every way out and back; what it does while it is plainly out does not count."""
    out = np.minimum(way, PLAINLY_OUT)
    track = Track(side, time_s, out, out, np.ones(len(way)), ONSET)
    return [
        replace(span, height=_usual_way(way, span, time_s), measured=0.0, hidden=True)
        for span in humps.cut([track], LEAST_WAY)
        if span.complete and span.duration_s >= SHORTEST_S
    ]


def _usual_way(way: Floats, span: Span, time_s: Floats) -> float:
    """How far it is out for a quarter of the time: a landmark that jumps does not count."""
    return float(np.quantile(way[(time_s >= span.start_s) & (time_s <= span.end_s)], 0.75))


def _quieter(span: Span, ways: dict[Side, Floats], time_s: Floats) -> bool:
    """Whether the other leg, whose landmarks are drawn along, moves less."""
    other: Side = "right" if span.side == "left" else "left"
    return _usual_way(ways[other], span, time_s) <= OTHER_SHARE * span.height


def _busier(found: Sequence[Span]) -> Side:
    return max(SIDES, key=lambda side: sum(span.height for span in found if span.side == side))


def _of_one_kind(found: Sequence[Span]) -> tuple[Span, ...]:
    """Those that are about as long as most, and as high as most of their side; none if they are few."""
    kept = []
    for span in found:
        heights = [other.height for other in found if other.side == span.side]
        times = [other.duration_s for other in found]
        shares = span.height / np.median(heights), span.duration_s / np.median(times)
        if all(LIKE[0] <= share <= LIKE[1] for share in shares):
            kept.append(span)
    return tuple(sorted(kept, key=lambda s: s.start_s)) if len(kept) >= FEWEST else ()
