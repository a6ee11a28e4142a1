"""Chooses the source of the pelvis's motion, axis by axis: a good card, else what tells changes best."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from analysis.conventions import PELVIC_SIGNALS
from analysis.exercises import Exercise
from analysis.pelvis.card import from_card
from analysis.pelvis.fabric import from_fabric
from analysis.pelvis.landmarks import with_tilt
from analysis.pelvis.motion import PelvisMotion, Seen
from analysis.records import Floats, Observations, PelvisSource, Skeleton
from analysis.skeleton import pelvis_angles
from analysis.skeleton.camera import mat_in_camera

# A card that sees an axis to this goes before all else.
GOOD_DEG: Final = 3.0
_MOSTLY: Final = 0.8  # of the pictures in which another source sees the client
# What the body model follows is how an exercise usually takes the pelvis along. Where a client's pelvis moves
# on its own, it reads next to nothing: on rendered clips 12 deg were missed.
UNUSUAL_DEG: Final = 12.0
NONE: Final[PelvisSource] = "none"


def measure(observations: Observations, body: Skeleton, exercise: Exercise) -> PelvisMotion:
    """Tilt, obliquity and rotation of the pelvis since the still start, each from its best source."""
    camera = mat_in_camera(observations, body)
    by_body = from_body(body)
    seen: dict[PelvisSource, Seen | None] = {"card": None, "fabric": None, "landmarks": by_body}
    if camera is not None and by_body is not None:
        seen["card"] = from_card(observations, camera)
        if "pelvis_tilted" in exercise.limits:  # a tilt that is the movement itself must be told more finely
            seen["landmarks"] = with_tilt(by_body, observations, camera, exercise.lies)
        if exercise.moves_pelvis:  # else far ends laid over each other tell more, and cloth on the way errs
            fabric = from_fabric(observations, body, camera, exercise.lies)
            seen["fabric"] = hidden(fabric, exercise.cloth_hides)
    return choose({source: s for source, s in seen.items() if s is not None})


def hidden(seen: Seen | None, signals: Sequence[str]) -> Seen | None:
    """What the cloth says, where it hides some of the pelvis's signals: any change of them may be missed."""
    if seen is None or not signals:
        return seen
    axes = np.isin(PELVIC_SIGNALS, signals)
    return replace(seen, change_half_width_deg=np.where(axes, UNUSUAL_DEG, seen.change_half_width_deg))


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
        {s: over for s, (w, axis) in axes.items() if (over := w.overstated(axis)) is not None},
        bridged={s: bridged(v, body[:, PELVIC_SIGNALS.index(s)]) for s, v in values.items() if len(body)},
    )


def bridged(values: Floats, other: Floats) -> Floats:
    """Values (T,) with gaps filled from another source (T,), set level with what was seen round them."""
    apart = values - other
    known, rows = np.isfinite(apart), np.arange(len(values))
    level = np.interp(rows, rows[known], apart[known]) if known.any() else np.zeros(len(values))
    return np.where(np.isfinite(values), values, other + level)


def _best(seen: dict[PelvisSource, Seen], axis: int) -> PelvisSource | None:
    """The card where it sees the axis well; else the source that tells changes of it best."""
    usable = {source: what for source, what in seen.items() if np.isfinite(what.half_width_deg[axis])}
    if "card" in usable and usable["card"].half_width_deg[axis] <= GOOD_DEG:
        return "card"
    most = max((_share(what, axis) for what in usable.values()), default=0.0)
    return min(usable, key=lambda source: _doubt(usable[source], axis, most), default=None)


def _doubt(seen: Seen, axis: int, most_shown: float) -> float:
    """Half-width of a change, as far as it counts: a source that loses the client on the move tells none."""
    tells = _share(seen, axis) >= _MOSTLY * most_shown
    return min(float(seen.change_half_width_deg[axis]), UNUSUAL_DEG) if tells else UNUSUAL_DEG


def _share(seen: Seen, axis: int) -> float:
    """Share of the pictures in which a source tells the axis."""
    return float(np.isfinite(seen.angles[:, axis]).mean())


def from_body(body: Skeleton) -> Seen | None:
    """What the body model says; None where there is no body."""
    up, right = body.directions["pelvis_up"], body.directions["pelvis_right"]
    angles = pelvis_angles(np.stack([np.cross(up, right), up, right], axis=2))
    if not body.half_width_deg or not np.isfinite(angles).any():
        return None
    widths = np.array([np.nanmedian(body.half_width_deg[s]) for s in PELVIC_SIGNALS])
    return Seen(angles, widths, np.maximum(widths, UNUSUAL_DEG))
