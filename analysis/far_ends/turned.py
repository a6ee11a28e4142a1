"""The learned reading of how the pelvis lies differently in two pictures.

Learned from pictures of rendered people (`sample_clips/rendering/train_far_ends.py`), one set of networks for
two far ends, the other for the still start and a far end.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final, Literal

import numpy as np

from analysis import network
from analysis.far_ends.shift import Pair
from analysis.records import Floats

Between = Literal["far_ends", "start_and_far_end"]

# Standard deviation for each degree of error that the reading expects, and the least that it can be.
_SPREAD: Final = {"far_ends": 2.0, "start_and_far_end": 1.6}
_LEAST_DEG: Final = 0.3
LIKE_TRAINING: Final = 6.0  # standard deviations: features beyond it are held there
OUTPUT_DEG: Final = 5.0


def turned(between: Between, pairs: Sequence[Pair]) -> tuple[Floats, Floats]:
    """From the first picture of each pair to the second: change of tilt, obliquity and rotation (n, 3) [deg],
    signs as in `analysis.conventions`, and the standard deviation of its error (n, 3) [deg]."""
    features = np.array([pair.features() for pair in pairs])
    outs = network.load(between).outputs(features, LIKE_TRAINING)
    changes = OUTPUT_DEG * outs[..., :3]
    expected = np.hypot(np.exp(outs[..., 3:]).mean(axis=0), changes.std(axis=0))
    return changes.mean(axis=0), np.hypot(_LEAST_DEG, _SPREAD[between] * expected)
