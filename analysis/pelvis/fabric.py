"""The pelvis from the cloth over it, by a learned reading of how the cloth moved.

Cloth follows the pelvis only in part: the thorax and the moving thigh drag it, too, and a camera sees a
turn about its own line of sight far better than any other. What the cloth says of each direction, and how
far it may be off, was learned from the skin of rendered people (`sample_clips/rendering/train_cloth.py`).
"""

from __future__ import annotations

from typing import Final

import numpy as np

from analysis import filters, network
from analysis.exercises.schema import Lies
from analysis.fabric import patch
from analysis.pelvis import cloth
from analysis.pelvis.motion import Seen
from analysis.records import Floats, Observations, Skeleton
from analysis.skeleton.features import start_frames

_SEEN_SHARE: Final = 0.6  # of the frames
LIKE_TRAINING: Final = 5.0  # standard deviations: features beyond it are held there
OUTPUT_DEG: Final = 5.0
_CUTOFF_HZ: Final = 3.0
_LONGEST_GAP_S: Final = 0.5
# Half-widths for each degree of error that the reading expects where the pelvis moves most, for tilt,
# obliquity and rotation: of a value (95 %), and of what a repetition changes, with a floor. On rendered clips
# that were not learned from, most of them with faults of the pelvis, 87 % of changes lay inside. Rolling
# towards or away from the camera hardly moves the cloth: the reading then expects too little by far.
_HALF_WIDTH_PER_SPREAD: Final = np.array([2.3, 2.9, 2.5])
_CHANGE_PER_SPREAD: Final = np.array([4.0, 4.0, 6.0])
_CHANGE_FLOOR_DEG: Final = 1.0
# A learned reading errs towards its usual answer, which is rest: it seldom overstates a change (95 %).
_OVERSTATED_PER_SPREAD: Final = np.array([2.4, 2.6, 1.0])
# A pelvis that turns takes cloth along that lies some way off its axis. What is read beyond that was guessed
# from the limbs: on rendered clips 8 deg were read where the spots had moved by 2 mm.
_OFF_AXIS_M: Final = 0.05
_TRUNK_M: Final = 0.5  # about
_GUESSED_DEG: Final = 3.0
_MOVES_MOST: Final = 0.8  # quantile over the clip: the reading is least sure where the body moves most


def from_fabric(observations: Observations, body: Skeleton, camera: Floats, lies: Lies) -> Seen | None:
    """What the cloth says of the pelvis; None where it is too plain or hidden to tell, or not seen at rest.

    camera (3, 3): mat frame to camera axes.
    """
    if np.isfinite(observations.fabric_px[:, :, 0]).any(axis=1).mean() < _SEEN_SHARE:
        return None
    if not cloth.start_is_seen(observations, body):
        return None
    features = cloth.describe(observations, body, camera, lies)
    if np.isfinite(features).all(axis=1).mean() < _SEEN_SHARE:
        return None
    outs = network.load("cloth").outputs(features, LIKE_TRAINING)
    most_deg = _most_turned_deg(observations)[:, None]
    read = np.clip(OUTPUT_DEG * outs[..., :3].mean(axis=0), -most_deg, most_deg)
    angles = filters.smooth(observations.time_s, filters.without_spikes(read), _CUTOFF_HZ, _LONGEST_GAP_S)
    start = start_frames(observations.time_s) & np.isfinite(angles).all(axis=1)
    neutral = np.median(angles[start], axis=0) if start.any() else np.zeros(3)
    spread = np.exp(outs[..., 3:]).mean(axis=0)
    most = np.nanquantile(spread, _MOVES_MOST, axis=0)
    whole = _HALF_WIDTH_PER_SPREAD * most
    change = np.hypot(_CHANGE_PER_SPREAD * most, _CHANGE_FLOOR_DEG)
    return Seen(angles - neutral, whole, change, _OVERSTATED_PER_SPREAD * spread)


def _most_turned_deg(observations: Observations) -> Floats:
    """How far the pelvis can have turned (T,) [deg], by how far the cloth has moved since the still start."""
    start = start_frames(observations.time_s)
    moved = np.linalg.norm(observations.fabric_px - observations.fabric_start_px, axis=2)
    trunk = np.nanmedian([patch.trunk_px(px) for px in observations.landmarks_px[start]])
    known = np.isfinite(moved).any(axis=1)
    usual = np.full(len(moved), np.nan)
    usual[known] = np.nanmedian(moved[known], axis=1) / trunk * _TRUNK_M
    return np.asarray(_GUESSED_DEG + np.degrees(usual / _OFF_AXIS_M))
