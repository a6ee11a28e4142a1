"""How the camera looks at the mat: what turns a motion seen in the picture into one of the pelvis."""

from __future__ import annotations

from typing import Final

import numpy as np
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation

from analysis.records import JOINTS, Floats, Observations, Skeleton

_USED: Final = {
    "hip_left": 23, "hip_right": 24, "knee_left": 25, "knee_right": 26, "ankle_left": 27, "ankle_right": 28,
    "shoulder_left": 11, "shoulder_right": 12,
}  # fmt: skip
_FRAMES: Final = 40
_SNAP_DEG: Final = 30.0  # a mat card lies or stands squarely on the mat: farther off, the body is misjudged


def mat_in_camera(observations: Observations, body: Skeleton) -> Floats | None:
    """Rotation (3, 3) from the mat frame to the camera's axes (x right, y down, z away).

    From how the body's joints (mat frame) show in the picture over the whole clip, and squared to the
    mat card where one is seen. None where no body was found.
    """
    joints = body.joints_cm[:, [JOINTS.index(name) for name in _USED]]
    px = observations.landmarks_px[:, list(_USED.values())]
    guess = observations.landmarks_cm[:, list(_USED.values())]
    seen = np.flatnonzero(np.isfinite(np.concatenate([joints, px, guess], axis=2)).all(axis=(1, 2)))
    if not seen.size:
        return None
    some = seen[np.linspace(0, seen.size - 1, min(seen.size, _FRAMES)).round().astype(int)]
    rotation = _from_picture(_centred(joints[some]), _centred(px[some]), _centred(guess[some]))
    return _squared(rotation, observations.mat_rotation)


def _centred(points: Floats) -> Floats:
    """Points (T, N, k) about the middle of each frame."""
    return np.asarray(points - points.mean(axis=1, keepdims=True))


def _from_picture(joints: Floats, px: Floats, guess: Floats) -> Floats:
    """Rotation that shows the joints (T, N, 3) where they are in the picture (T, N, 2), from afar.

    Starts from the pose model's own depth `guess` (T, N, 3), which also settles front from back.
    """
    start, _ = Rotation.align_vectors(guess.reshape(-1, 3), joints.reshape(-1, 3))
    size = float(np.sqrt((px**2).mean()))

    def off(x: Floats) -> Floats:
        seen = np.exp(x[3]) * (joints.reshape(-1, 3) @ Rotation.from_rotvec(x[:3]).as_matrix().T)[:, :2]
        return np.asarray((seen - px.reshape(-1, 2)).ravel() / size)

    flat = (joints.reshape(-1, 3) @ start.as_matrix().T)[:, :2]
    scale = (flat * px.reshape(-1, 2)).sum() / (flat**2).sum()
    found = least_squares(off, np.append(start.as_rotvec(), np.log(max(scale, 1e-3))), loss="soft_l1", f_scale=0.1)
    return np.asarray(Rotation.from_rotvec(found.x[:3]).as_matrix())


def _squared(rotation: Floats, cards: Floats) -> Floats:
    """The mat card's axes, in the order and signs nearest to `rotation`; `rotation` where none is seen."""
    seen = np.isfinite(cards).all(axis=(1, 2))
    if not seen.any():
        return rotation
    card = Rotation.from_matrix(cards[seen]).mean()
    quarter_turns = Rotation.create_group("O")
    choices = card * quarter_turns
    apart = (choices.inv() * Rotation.from_matrix(rotation)).magnitude()
    nearest = int(np.argmin(apart))
    return np.asarray(choices[nearest].as_matrix()) if np.degrees(apart[nearest]) < _SNAP_DEG else rotation
