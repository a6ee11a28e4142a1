"""Clients who do not move: what is read from landmarks and cloth then is how these wander."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np

from analysis.pelvis import PelvisMotion
from analysis.records import Floats, Motion, Observations

# Share of the client's longer side. In 179 of 180 rendered clips of people who only breathe the pictures show
# up to 0.0080 (one is not found again well enough to tell); in 636 of exercises, 52 of them pelvic tilts,
# some in the dark, 0.011 or more. So a tilt of a few degrees alone may be taken for none.
_MOVES: Final = 0.0095


def lies_still(observations: Observations) -> bool:
    """Whether the pictures show that no part of the client moves over the whole clip; False where unknown."""
    moved = observations.client_moved
    known = moved[np.isfinite(moved)]
    return bool(known.size and known.max() < _MOVES)


def at_rest(motion: Motion, pelvis: PelvisMotion) -> Motion:
    """Every signal but those of a card at its usual value; as unsure as before, and missing where it was."""
    by_card = {name for name, source in pelvis.sources.items() if source == "card"}
    calm = {name: v if name in by_card else _usual(v) for name, v in motion.values.items()}
    return replace(motion, values=calm)


def _usual(values: Floats) -> Floats:
    known = np.isfinite(values)
    return np.where(known, np.median(values[known]), np.nan) if known.any() else values
