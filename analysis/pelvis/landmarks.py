"""The pelvis from the pose model's landmarks, by a learned reading of how they differ between repetitions.

What turns with the pelvis, and how well a direction shows from where the phone stands, was learned from
rendered people (`sample_clips/rendering/train_pelvis.py`).
"""

from __future__ import annotations

from typing import Final

import numpy as np

from analysis import filters, network
from analysis.conventions import PELVIC_SIGNALS
from analysis.exercises.schema import Lies
from analysis.pelvis import compared
from analysis.pelvis.motion import Seen
from analysis.records import Floats, Observations
from analysis.skeleton.features import start_frames

LIKE_TRAINING: Final = 8.0  # standard deviations: features beyond it are held there
OUTPUT_DEG: Final = 5.0
_SEEN_SHARE: Final = 0.6  # of the moments
_CUTOFF_HZ: Final = 2.0
_LONGEST_GAP_S: Final = 0.5
_MOVES_MOST: Final = 0.8  # quantile over the clip: the reading is least sure where the body moves most
# For each degree of error that the reading expects: half-width of a value and of what a repetition changes
# (95 %), and by how much a change may be overstated. On 2300 repetitions of rendered people that were not
# learned from, filmed from the side.
_HALF_WIDTH_PER_SPREAD: Final = 2.3
_CHANGE_PER_SPREAD: Final = 2.7
_OVERSTATED_PER_SPREAD: Final = 1.8
# Mean brightness below which landmarks wander so much that a pelvis read as still may have turned:
# common practice, no source; `capture.toml` warns from there on.
_DARK: Final = 0.1
# Of 60 rendered people who lie still and breathe (their trunks bend by up to 0.5 deg, an amount without a
# source), all were read within this of their usual tilt.
_LIKE_BREATH_DEG: Final = 3.6
_FROM_THE_SIDE: Final = 0.8  # cosine between the line of sight and the axis of tilt
TILT: Final = PELVIC_SIGNALS.index("pelvic_tilt")


def with_tilt(by_body: Seen, observations: Observations, camera: Floats, lies: Lies) -> Seen:
    """What the body model says, with the tilt as repetitions show it where the phone stands at the side.

    camera (3, 3): mat frame to camera axes. Turns out of the plane of the picture move landmarks too little.
    """
    ahead = camera[2]
    told = tilt(observations, lies) if abs(ahead[2]) >= _FROM_THE_SIDE else None
    if told is None:
        return by_body
    angles, spread = told
    over = np.full_like(by_body.angles, np.nan)
    over[:, TILT] = _OVERSTATED_PER_SPREAD * spread
    most = float(np.nanquantile(spread, _MOVES_MOST))
    change = by_body.change_half_width_deg[TILT] if _is_dark(observations) else _CHANGE_PER_SPREAD * most
    return Seen(
        _replaced(by_body.angles, angles),
        _replaced(by_body.half_width_deg, _HALF_WIDTH_PER_SPREAD * most),
        _replaced(by_body.change_half_width_deg, change),
        over,
    )


def _is_dark(observations: Observations) -> bool:
    known = observations.brightness[np.isfinite(observations.brightness)]
    return bool(known.size and np.median(known) < _DARK)


def _replaced(values: Floats, tilt: Floats | float) -> Floats:
    out = np.array(values)
    out[..., TILT] = tilt
    return out


def tilt(observations: Observations, lies: Lies) -> tuple[Floats, Floats] | None:
    """Tilt since the still start and the error it may have, (T,) each [deg]; None where too little is seen.

    Tilt as in `analysis.conventions`: + forward.
    """
    picture = (observations.width, observations.height)
    times, features = compared.describe(
        observations.time_s, observations.landmarks_px, observations.landmarks_cm,
        observations.visibility, lies, picture,
    )  # fmt: skip
    known = np.isfinite(features).all(axis=1)
    start = start_frames(times) & known
    if known.mean() < _SEEN_SHARE or not start.any():
        return None
    outs = network.load_clip_ensemble("pelvis").outputs(features, LIKE_TRAINING)
    angles = OUTPUT_DEG * outs[..., TILT]
    spread = np.hypot(np.exp(outs[..., 3 + TILT]).mean(axis=0), angles.std(axis=0))
    told = less_breath(angles.mean(axis=0))
    both = np.stack([told - np.median(told[start]), spread], axis=1)
    wanted = observations.time_s
    columns = [filters.at_times(wanted, times, column, _LONGEST_GAP_S) for column in both.T]
    calm = filters.smooth(wanted, np.stack(columns, axis=1), _CUTOFF_HZ, _LONGEST_GAP_S)
    return calm[:, 0], calm[:, 1]


def less_breath(tilt_deg: Floats) -> Floats:
    """Tilt (T,) [deg] with turns away from its usual value made less where a breath looks like them.

    One of `_LIKE_BREATH_DEG` is halved, a third of it vanishes, and the double keeps 94 %.
    """
    usual = np.nanmedian(tilt_deg)
    turned = tilt_deg - usual
    return np.asarray(usual + turned**5 / (turned**4 + _LIKE_BREATH_DEG**4))
