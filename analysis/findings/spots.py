"""Where the feet are along the mat, from the picture.

Joints of the fitted body lean on the angles of both legs; the ankle in the picture does not, and shows a tap
off its spot about three times as exactly.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from analysis.conventions import SIDES
from analysis.records import JOINTS, LANDMARKS, Floats, Observations, Skeleton

PLACE: Final = "ankle_{side}"


def spots_cm(observations: Observations, body: Skeleton) -> dict[str, Floats]:
    """The place of each ankle along the trunk's line in the picture, (T,), + towards the head [cm].

    The trunk, as long in the picture as it is in the body, is the measure: it lies along the mat as the
    feet's way does, at about the same distance. Counted from where that foot is most of the time: the
    nearer leg and the further one are not seen in the same place.
    """
    trunk = _middles(observations, "shoulder") - _middles(observations, "hip")
    seen = trunk[np.isfinite(trunk).all(axis=1)]
    if not len(seen):
        return {}
    line = np.median(seen, axis=0)
    along = line / float(line @ line) * _trunk_cm(body)
    names = [PLACE.format(side=side) for side in SIDES]
    places = {name: observations.landmarks_px[:, LANDMARKS[name]] @ along for name in names}
    return {name: at - np.nanmedian(at) for name, at in places.items() if np.isfinite(at).any()}


def _middles(observations: Observations, part: str) -> Floats:
    """Middle between the left and the right one in each picture (T, 2) [px]."""
    both = [observations.landmarks_px[:, LANDMARKS[f"{part}_{side}"]] for side in SIDES]
    return np.asarray(np.mean(both, axis=0))


def _trunk_cm(body: Skeleton) -> float:
    """From the middle of the hips to the middle of the shoulders [cm]."""
    ends = [
        np.mean([body.joints_cm[:, JOINTS.index(f"{part}_{side}")] for side in SIDES], axis=0)
        for part in ("hip", "shoulder")
    ]
    return float(np.nanmedian(np.linalg.norm(ends[1] - ends[0], axis=1)))
