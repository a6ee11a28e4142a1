"""The learned reading of how the pelvis lies differently in two pictures.

Learned from pictures of rendered people (`sample_clips/rendering/train_far_ends.py`), for two far ends and
for the still start and a far end.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from analysis import network
from analysis.far_ends.pair import Pair
from analysis.records import Floats

LIKE_TRAINING: Final = 10.0  # standard deviations: features beyond it are held there
OUTPUT_DEG: Final = 5.0


@dataclass(frozen=True)
class Between:
    """Which pictures: `place` of the network's answers on them; `gain` by which a change is larger than what
    it answers; for each degree of error that it expects, `spread` degrees of standard deviation, `least_deg`
    at least; `largest_deg` of change that was learned: where more is read, the pictures were taken for
    something else."""

    place: int
    gain: float
    spread: float
    least_deg: float
    largest_deg: float


# Gains and spreads are of rendered people from whom nothing was learned; what is learned errs towards rest.
FAR_ENDS: Final = Between(0, gain=1.04, spread=1.3, least_deg=0.4, largest_deg=25.0)
START_AND_FAR_END: Final = Between(6, gain=1.04, spread=1.4, least_deg=0.6, largest_deg=18.0)


def turned(between: Between, pairs: Sequence[Pair]) -> tuple[Floats, Floats]:
    """From the first picture of each pair to the second: change of tilt, obliquity and rotation (n, 3) [deg],
    signs as in `analysis.conventions`, and the standard deviation of its error (n, 3) [deg]; NaN for a change
    that cannot be believed."""
    pictures = np.array([pair.picture() for pair in pairs])
    numbers = np.array([pair.features() for pair in pairs])
    learned = network.load_picture_ensemble("far_ends")
    outs = learned.outputs(pictures, numbers, LIKE_TRAINING)[..., between.place :]
    changes = between.gain * OUTPUT_DEG * outs[..., :3]
    expected = np.hypot(np.exp(outs[..., 3:6]).mean(axis=0), changes.std(axis=0))
    change = changes.mean(axis=0)
    believed = np.where(np.abs(change) <= between.largest_deg, change, np.nan)
    return believed, np.hypot(between.least_deg, between.spread * expected)
