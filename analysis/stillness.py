"""Clients who do not move: what is read from landmarks then is how they wander."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np

from analysis.pelvis import PelvisMotion
from analysis.records import Floats, Motion, Observations

# Share of the client's longer side. In 96 rendered clips of people who only breathe the pictures show up to
# 0.007 (four are not found again well enough to tell); in 246 of exercises, some of them in the dark or in
# plain or black clothes, 0.016 or more.
_MOVES: Final = 0.0115


def lies_still(observations: Observations, pelvis: PelvisMotion) -> bool:
    """Whether the pictures show that no part of the client moves over the whole clip; False where unknown.

    What the cloth tells of a pelvis is finer than that, and goes before it.
    """
    moved = observations.client_moved
    known = moved[np.isfinite(moved)]
    return pelvis.source != "fabric" and bool(known.size and known.max() < _MOVES)


def at_rest(motion: Motion, pelvis: PelvisMotion) -> Motion:
    """Every signal that landmarks tell at its usual value; as unsure as before, and missing where it was."""
    told = {name for name, source in pelvis.sources.items() if source != "landmarks"}
    return replace(
        motion, values={name: v if name in told else _usual(v) for name, v in motion.values.items()}
    )


def _usual(values: Floats) -> Floats:
    known = np.isfinite(values)
    return np.where(known, np.median(values[known]), np.nan) if known.any() else values
