"""The learned corrector: features of the pose model's landmarks -> segment directions and pelvic angles.

Weights in `analysis/models/skeleton.npz` were learned from rendered people with exact joints by
`sample_clips/rendering/train.py`; it takes out the pose model's own systematic offsets (its hips are
not hip joint centres, depth is a guess). Only numpy is needed to run it.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Final

import numpy as np

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
    error expected of each of SIGNALS [deg]."""

    directions: Floats
    pelvis: Floats
    spread: Floats


@cache
def _weights() -> dict[str, Floats]:
    with files("analysis").joinpath("models", "skeleton.npz").open("rb") as f, np.load(f) as d:
        return {k: d[k].astype(np.float64) for k in d.files}


def _silu(x: Floats) -> Floats:
    return np.asarray(x / (1 + np.exp(-x)), float)


def _member(x: Floats, member: int, w: dict[str, Floats]) -> Floats:
    layers = sum(k.startswith(f"w{member}_") for k in w)
    for k in range(layers):
        x = x @ w[f"w{member}_{k}"] + w[f"b{member}_{k}"]
        if k < layers - 1:
            x = _silu(x)
    return x


def correct(features: Floats) -> Corrected:
    """Run the corrector on features (T, F) of `features.describe`; NaN rows give NaN."""
    w = _weights()
    x = (features - w["mean"]) / w["std"]
    members = sum(k.startswith("w") and k.endswith("_0") for k in w)
    outs = np.stack([_member(x, m, w) for m in range(members)])
    directions = unit(outs[..., :_DIRECTIONS].reshape(members, len(x), -1, 3)).mean(0)
    pelvis = outs[..., _DIRECTIONS : _DIRECTIONS + 3].mean(0) * 10
    return Corrected(unit(directions), pelvis, np.exp(outs[..., _DIRECTIONS + 3 :]).mean(0))
