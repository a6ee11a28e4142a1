"""How the camera looks at the mat: what turns a motion seen in the picture into one of the pelvis."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation

from analysis.card import FOCAL_SHARE
from analysis.records import JOINTS, Floats, Observations, Skeleton

_JOINTS: Final = ("hip_left", "hip_right", "knee_left", "knee_right", "ankle_left", "ankle_right",
                  "shoulder_left", "shoulder_right", "head")  # fmt: skip
_LANDMARKS: Final = ((23,), (24,), (25,), (26,), (27,), (28,), (11,), (12,), (7, 8))
_FRAMES: Final = 30
_AT_REST: Final = 0.08  # of the trunk: frames in which the hips are this near their start are used
_USUAL_CM: Final = 250.0  # from phone to client: errors are weighed as if at this distance
_OUTLIER_CM: Final = 3.0
# A mat card stands squarely on the mat. In 220 rendered clips its axes lie within 18 deg of the body's,
# and at 27 once: there a card of which one face was seen was read mirrored.
_SNAP_DEG: Final = 22.0


@dataclass(frozen=True, eq=False)
class View:
    """How the phone sees the mat: rotation (3, 3) from the mat frame to the camera's axes (x right, y down, z
    away), place of the mat's origin there (3,) [cm], and focal length and middle (2,) of the picture [px]."""

    rotation: Floats
    place: Floats
    focal_px: float
    middle_px: Floats

    def px(self, points: Floats) -> Floats:
        """Points (..., 3) [cm, mat frame] in the picture (..., 2) [px]."""
        at = points @ self.rotation.T + self.place
        return np.asarray(self.focal_px * at[..., :2] / np.maximum(at[..., 2:], 1.0) + self.middle_px)


def mat_in_camera(observations: Observations, body: Skeleton) -> Floats | None:
    """Rotation (3, 3) from the mat frame to the camera's axes (x right, y down, z away).

    As `view`, squared to the mat card where one is seen. None where no body was found.
    """
    seen = view(observations, body)
    return None if seen is None else _squared(seen.rotation, observations.mat_rotation)


def view(observations: Observations, body: Skeleton) -> View | None:
    """How the phone sees the mat, from how the body's joints show in the picture, in perspective.

    None where no body was found.
    """
    joints = body.joints_cm[:, [JOINTS.index(name) for name in _JOINTS]]
    px, guess = (_points(marks) for marks in (observations.landmarks_px, observations.landmarks_cm))
    frames = _resting(joints, px)
    if not frames.size:
        return None
    size = np.array([observations.width, observations.height])
    focal_px = FOCAL_SHARE * float(size.max())
    rays = (px[frames] - size / 2) / focal_px
    return View(*_from_picture(joints[frames], rays, guess[frames]), focal_px, size / 2)


def _points(landmarks: Floats) -> Floats:
    """Landmarks that stand for _JOINTS, (T, N, k)."""
    return np.stack([landmarks[:, list(pair)].mean(axis=1) for pair in _LANDMARKS], axis=1)


def _resting(joints: Floats, px: Floats) -> NDArray[np.intp]:
    """Some frames with a whole body whose hips are where they were at the start."""
    seen = np.flatnonzero(np.isfinite(joints).all(axis=(1, 2)) & np.isfinite(px).all(axis=(1, 2)))
    if not seen.size:
        return seen
    hips, shoulders = px[seen, :2].mean(axis=1), px[seen, 6:8].mean(axis=1)
    trunk = float(np.median(np.linalg.norm(shoulders - hips, axis=1)))
    near = seen[np.linalg.norm(hips - np.median(hips[:8], axis=0), axis=1) <= _AT_REST * trunk]
    return np.asarray(near[np.linspace(0, near.size - 1, min(near.size, _FRAMES)).round().astype(int)])


def _from_picture(joints: Floats, rays: Floats, guess: Floats) -> tuple[Floats, Floats]:
    """Rotation and place that show the joints (T, N, 3) along their rays (T, N, 2; x/z, y/z).

    Starts from the pose model's own depth `guess` (T, N, 3), which also tells front from back.
    """
    about = [(p - p.mean(axis=1, keepdims=True)).reshape(-1, 3) for p in (guess, joints)]
    start, _ = Rotation.align_vectors(about[0], about[1])

    def place(x: Floats) -> Floats:
        return np.asarray(np.exp(x[5]) * np.array([x[3], x[4], 1.0]))

    def off(x: Floats) -> Floats:
        at = joints @ Rotation.from_rotvec(x[:3]).as_matrix().T + place(x)
        seen = at[..., :2] / np.maximum(at[..., 2:], 1.0)
        return np.asarray(((seen - rays) * _USUAL_CM).ravel())

    first = np.concatenate([start.as_rotvec(), rays.mean(axis=(0, 1)), [np.log(_USUAL_CM)]])
    found = least_squares(off, first, loss="soft_l1", f_scale=_OUTLIER_CM)
    return np.asarray(Rotation.from_rotvec(found.x[:3]).as_matrix()), place(found.x)


def _squared(rotation: Floats, cards: Floats) -> Floats:
    """The mat card's axes, in the order and signs nearest to `rotation`; `rotation` where none is seen."""
    nearest = _nearest(rotation, cards)
    return nearest if nearest is not None and _apart_deg(nearest, rotation) < _SNAP_DEG else rotation


def apart_deg(cards: Floats, rotation: Floats) -> float:
    """Angle of a card's axes (T, 3, 3), in any order and signs, to a rotation (3, 3) [deg]; NaN if unseen."""
    nearest = _nearest(rotation, cards)
    return float("nan") if nearest is None else _apart_deg(nearest, rotation)


def _nearest(rotation: Floats, cards: Floats) -> Floats | None:
    """The axes of a card (T, 3, 3) in the order and signs nearest to a rotation (3, 3)."""
    seen = np.isfinite(cards).all(axis=(1, 2))
    if not seen.any():
        return None
    choices = Rotation.from_matrix(cards[seen]).mean() * Rotation.create_group("O")
    apart = np.atleast_1d((choices.inv() * Rotation.from_matrix(rotation)).magnitude())
    return np.asarray(choices[int(np.argmin(apart))].as_matrix())


def _apart_deg(a: Floats, b: Floats) -> float:
    return float(np.degrees(Rotation.from_matrix(a.T @ b).magnitude()))
