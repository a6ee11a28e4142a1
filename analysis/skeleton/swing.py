"""Legs that swing in the plane of the picture: how far they turned is seen there better than guessed.

The corrector gives three directions at once and errs towards what it knows; where the leg moves across the
line of sight, its turn in the picture needs no guess, but has the pose model's own errors. The exercise
says how much of the difference to take (`Movement.seen_swing`, from rendered people).
"""

from __future__ import annotations

from typing import Final

import numpy as np
from scipy.spatial.transform import Rotation

from analysis import filters
from analysis.conventions import SIDES
from analysis.records import LANDMARKS, Floats
from analysis.skeleton.features import start_frames

_ENDS: Final = {"thigh": ("hip", "knee"), "shank": ("knee", "ankle")}
_CUTOFF_HZ: Final = 3.0
_LONGEST_GAP_S: Final = 0.5
# Share of a segment's length that the picture shows: from here on its direction there is used, and fully.
_LEAST_SHOWN, _ALL_SHOWN = 0.4, 0.7
_LONGER: Final = 1.3  # the pose model's lengths are less sure than the corrector's


def swung(
    time_s: Floats, landmarks_px: Floats, directions: dict[str, Floats], camera: Floats, share: float
) -> dict[str, Floats]:
    """The directions (T, 3) with those of the legs turned about the line of sight.

    landmarks_px (T, 33, 2); camera (3, 3): mat frame to camera axes; share 0..1 of the difference between
    the picture's turn since the still start and theirs.
    """
    turned = dict(directions)
    for limb, (near, far) in _ENDS.items():
        for side in SIDES:
            name, ends = f"{limb}_{side}", [LANDMARKS[f"{end}_{side}"] for end in (near, far)]
            px = filters.smooth(
                time_s, landmarks_px[:, ends[0]] - landmarks_px[:, ends[1]], _CUTOFF_HZ, _LONGEST_GAP_S
            )
            turn = share * _difference(time_s, px, directions[name] @ camera[:2].T)
            known = np.isfinite(turn) & np.isfinite(directions[name]).all(axis=1)
            if known.any():
                turned[name] = directions[name].copy()
                about_sight = Rotation.from_rotvec(turn[known, None] * camera[2])
                turned[name][known] = about_sight.apply(directions[name][known])
    return turned


def _difference(time_s: Floats, px: Floats, shown: Floats) -> Floats:
    """Turn (T,) [rad] from the directions as shown (T, 2) to those in the picture (T, 2), since the start.

    Less where the segment points at the camera; NaN where it is not seen.
    """
    apart = np.arctan2(px[:, 1], px[:, 0]) - np.arctan2(shown[:, 1], shown[:, 0])
    start = start_frames(time_s) & np.isfinite(apart)
    if not start.any():
        return np.full(len(time_s), np.nan)
    offset = np.angle(np.exp(1j * apart[start]).mean())
    lengths = np.linalg.norm(px, axis=1)
    seen = np.minimum(np.linalg.norm(shown, axis=1), _LONGER * lengths / np.nanquantile(lengths, 0.95))
    weight = np.clip((seen - _LEAST_SHOWN) / (_ALL_SHOWN - _LEAST_SHOWN), 0, 1)
    return np.asarray(weight * np.angle(np.exp(1j * (apart - offset))))
