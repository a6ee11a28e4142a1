"""Clients who do not move: what is read from landmarks and cloth then is how these wander."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from analysis.observe.rest import MOVES
from analysis.pelvis import PelvisMotion
from analysis.records import Floats, Motion, Observations


def lies_still(observations: Observations) -> bool:
    """Whether the pictures show that no part of the client moves over the whole clip; False where unknown."""
    moved = observations.client_moved
    known = moved[np.isfinite(moved)]
    return bool(known.size and known.max() < MOVES)


def at_rest(motion: Motion, pelvis: PelvisMotion) -> Motion:
    """Every signal but those of a card at its usual value; as unsure as before, and missing where it was."""
    by_card = {name for name, source in pelvis.sources.items() if source == "card"}
    calm = {name: v if name in by_card else _usual(v) for name, v in motion.values.items()}
    return replace(motion, values=calm)


def _usual(values: Floats) -> Floats:
    known = np.isfinite(values)
    return np.where(known, np.median(values[known]), np.nan) if known.any() else values
