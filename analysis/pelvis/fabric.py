"""The pelvis from the cloth over it: the turn of the cloth in the picture, taken back to the client.

A camera sees one axis of the pelvis as a turn in the picture: tilt from the side, obliquity from above
or from the front. The cloth follows the pelvis only in part and the thorax for the rest, as skin and
waistband lie between the two.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from analysis import filters
from analysis.pelvis.motion import Seen
from analysis.records import Floats, Observations, Skeleton
from analysis.skeleton.features import start_frames
from analysis.skeleton.rotations import TURN_AXES, trunk_curl

# Share of the pelvis's turn that the cloth shows, the rest being the thorax's: fitted on rendered people.
PELVIS_SHARE: Final = 0.6
_HALF_WIDTH_DEG: Final = 3.0  # 95 % on rendered clips: legs drag the cloth, and its share differs by person
_CHANGE_HALF_WIDTH_DEG: Final = 2.5
_THORAX_RISES_DEG: Final = 12.0  # beyond it (bridge, curl-up) the thorax drowns the pelvis in the cloth
_THIGH_MOVES_DEG: Final = 25.0  # beyond it the thigh drags the cloth by more than a tilt worth finding
_FACING: Final = 0.8  # cosine between the axis and the line of sight below which its turn is not read
_TRUST: Final = 0.5
_SEEN_SHARE: Final = 0.6  # of the frames
_CUTOFF_HZ: Final = 3.0
_LONGEST_GAP_S: Final = 0.5


def from_fabric(observations: Observations, body: Skeleton, camera: Floats, other: Floats) -> Seen | None:
    """The axis of the pelvis that the picture shows as a turn; None where the cloth or the view cannot tell.

    camera (3, 3) mat frame to camera axes; other (T, 3) tilt, obliquity, rotation by the body model [deg],
    which stands in for the two axes that are not seen.
    """
    turn = observations.fabric_turn_deg
    told = np.isfinite(turn)
    if told.mean() < _SEEN_SHARE or np.median(observations.fabric_trust[told]) < _TRUST:
        return None
    shown = TURN_AXES @ camera[2]  # turn in the picture of one degree of tilt, obliquity, rotation
    axis = int(np.argmax(np.abs(shown)))
    curl = _since_start(trunk_curl(body.directions["trunk"]), observations.time_s)
    if abs(shown[axis]) < _FACING or np.nanmax(np.abs(curl)) > _THORAX_RISES_DEG or _thighs_move(body):
        return None
    smooth = filters.smooth(observations.time_s, turn, _CUTOFF_HZ, _LONGEST_GAP_S)
    thorax = shown[0] * curl  # a curl turns the thorax as an anterior tilt would
    pelvis = (_since_start(smooth, observations.time_s) - (1 - PELVIS_SHARE) * thorax) / PELVIS_SHARE
    rest = np.nan_to_num(other) @ np.where(np.arange(3) == axis, 0.0, shown)
    return _seen(axis, (pelvis - rest) / shown[axis])


def _thighs_move(body: Skeleton) -> bool:
    start = start_frames(body.time_s)
    for thigh in (body.directions["thigh_left"], body.directions["thigh_right"]):
        cosine = thigh @ np.nanmedian(thigh[start], axis=0)
        if np.nanquantile(np.degrees(np.arccos(np.clip(cosine, -1, 1))), 0.97) > _THIGH_MOVES_DEG:
            return True
    return False


def _since_start(values: Floats, time_s: Floats) -> Floats:
    start = start_frames(time_s) & np.isfinite(values)
    return np.asarray(values - (np.median(values[start]) if start.any() else 0.0), float)


def _seen(axis: int, values: Floats) -> Seen:
    angles = np.full((len(values), 3), np.nan)
    angles[:, axis] = values
    widths, changes = np.full(3, np.inf), np.full(3, np.inf)
    widths[axis], changes[axis] = _HALF_WIDTH_DEG, _CHANGE_HALF_WIDTH_DEG
    return Seen(angles, widths, changes)
