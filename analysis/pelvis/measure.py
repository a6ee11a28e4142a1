"""Chooses the source of the pelvis's motion, axis by axis: card, then fabric, then the body model."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from analysis.conventions import PELVIC_SIGNALS
from analysis.exercises import Exercise
from analysis.pelvis.card import from_card
from analysis.pelvis.fabric import from_fabric
from analysis.pelvis.motion import PelvisMotion, Seen
from analysis.records import Floats, Observations, PelvisSource, Skeleton
from analysis.skeleton import pelvis_angles
from analysis.skeleton.camera import mat_in_camera

# A source that sees an axis to this goes before the next ones, whatever those say.
GOOD_DEG: Final = 3.0
# What the body model follows is how an exercise usually takes the pelvis along. Where a client's pelvis moves
# on its own, it reads next to nothing: on rendered clips 12 deg were missed.
_UNUSUAL_DEG: Final = 12.0
NONE: Final[PelvisSource] = "none"


def measure(observations: Observations, body: Skeleton, exercise: Exercise) -> PelvisMotion:
    """Tilt, obliquity and rotation of the pelvis since the still start, each from its best source."""
    camera = mat_in_camera(observations, body)
    by_body = from_body(body)
    seen: dict[PelvisSource, Seen | None] = {"card": None, "fabric": None, "landmarks": by_body}
    if camera is not None and by_body is not None:
        seen["card"] = from_card(observations, camera)
        seen["fabric"] = hidden(from_fabric(observations, body, camera, exercise.lies), exercise.cloth_hides)
    return choose({source: s for source, s in seen.items() if s is not None})


def hidden(seen: Seen | None, signals: Sequence[str]) -> Seen | None:
    """What the cloth says, where it hides some of the pelvis's signals: any change of them may be missed."""
    if seen is None or not signals:
        return seen
    axes = np.isin(PELVIC_SIGNALS, signals)
    return replace(seen, change_half_width_deg=np.where(axes, _UNUSUAL_DEG, seen.change_half_width_deg))


def choose(seen: dict[PelvisSource, Seen]) -> PelvisMotion:
    """The best of the sources for every axis; the sources come in their order of preference."""
    best = {signal: source for axis, signal in enumerate(PELVIC_SIGNALS) if (source := _best(seen, axis))}
    axes = {signal: (seen[source], PELVIC_SIGNALS.index(signal)) for signal, source in best.items()}
    values = {signal: what.angles[:, axis] for signal, (what, axis) in axes.items()}
    body = seen["landmarks"].angles if "landmarks" in seen else np.empty((0, 3))
    return PelvisMotion(
        values,
        {signal: float(what.half_width_deg[axis]) for signal, (what, axis) in axes.items()},
        {signal: float(what.change_half_width_deg[axis]) for signal, (what, axis) in axes.items()},
        next((source for source in seen if source in best.values()), NONE),
        best,
        {s: w.overstated_deg[:, axis] for s, (w, axis) in axes.items() if w.overstated_deg is not None},
        {s: bridged(v, body[:, PELVIC_SIGNALS.index(s)]) for s, v in values.items() if len(body)},
    )


def bridged(values: Floats, other: Floats) -> Floats:
    """Values (T,) with gaps filled from another source (T,), set level with what was seen round them."""
    apart = values - other
    known, rows = np.isfinite(apart), np.arange(len(values))
    level = np.interp(rows, rows[known], apart[known]) if known.any() else np.zeros(len(values))
    return np.where(np.isfinite(values), values, other + level)


def _best(seen: dict[PelvisSource, Seen], axis: int) -> PelvisSource | None:
    """The first source that sees the axis well; else the one that sees it least badly."""
    widths = {source: what.half_width_deg[axis] for source, what in seen.items()}
    usable = {source: width for source, width in widths.items() if np.isfinite(width)}
    good = (source for source, width in usable.items() if width <= GOOD_DEG)
    return next(good, min(usable, key=lambda source: usable[source], default=None))


def from_body(body: Skeleton) -> Seen | None:
    """What the body model says; None where there is no body."""
    up, right = body.directions["pelvis_up"], body.directions["pelvis_right"]
    angles = pelvis_angles(np.stack([np.cross(up, right), up, right], axis=2))
    if not body.half_width_deg or not np.isfinite(angles).any():
        return None
    widths = np.array([np.nanmedian(body.half_width_deg[s]) for s in PELVIC_SIGNALS])
    return Seen(angles, widths, np.maximum(widths, _UNUSUAL_DEG))
