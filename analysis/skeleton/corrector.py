"""The learned corrector: features of the pose model's landmarks -> segment directions and pelvic angles.

Weights in `analysis/models/skeleton.npz` were learned from rendered people with exact joints by
`sample_clips/rendering/train.py`; it takes out the pose model's own systematic offsets (its hips are
not hip joint centres, depth is a guess). Only numpy is needed to run it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from analysis import network
from analysis.conventions import JOINT_ANGLES, PELVIC_SIGNALS, SIDES, TRUNK_CURL, joint_signal
from analysis.records import Floats
from analysis.skeleton.rotations import unit

SEGMENTS: Final = ("trunk", "thigh_left", "shank_left", "thigh_right", "shank_right")
SIGNALS: Final = (*PELVIC_SIGNALS, TRUNK_CURL, *(joint_signal(j, s) for j in JOINT_ANGLES for s in SIDES))
_DIRECTIONS = 3 * len(SEGMENTS)


@dataclass(frozen=True, eq=False)
class Corrected:
    """directions (T, 5, 3) unit vectors towards the head, in the mat frame, by SEGMENTS;
    pelvis (T, 3) tilt, obliquity, rotation [deg] since the still start; spread (T, 12) mean absolute
    error expected of each of SIGNALS [deg]; apart (T, 5): how far the networks disagree on a direction [deg],
    which tells postures that none of them has learned."""

    directions: Floats
    pelvis: Floats
    spread: Floats
    apart: Floats


def correct(features: Floats) -> Corrected:
    """Run the corrector on the features (T, F) of a clip (`features.describe`); NaN rows give NaN."""
    outs = network.load_clip_ensemble("skeleton").outputs(features)
    each = unit(outs[..., :_DIRECTIONS].reshape(*outs.shape[:2], -1, 3))
    directions = unit(each.mean(axis=0))
    pelvis = outs[..., _DIRECTIONS : _DIRECTIONS + 3].mean(axis=0) * 10
    spread = np.exp(outs[..., _DIRECTIONS + 3 :]).mean(axis=0)
    return Corrected(directions, pelvis, spread, _apart(each, directions))


def _apart(each: Floats, directions: Floats) -> Floats:
    """How far the networks disagree (T, 5): mean angle of each one's direction from the common one [deg]."""
    cosine = np.clip((each * directions).sum(axis=-1), -1.0, 1.0)
    return np.asarray(np.degrees(np.arccos(cosine)).mean(axis=0))
