"""Landmarks of a clip -> one consistent body in the mat frame."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
from scipy.spatial.transform import Rotation

from analysis import filters
from analysis.conventions import PELVIC_SIGNALS, SIDES
from analysis.exercises import Exercise
from analysis.observe import legs
from analysis.records import JOINTS, Floats, Observations, Skeleton
from analysis.skeleton.camera import mat_in_camera
from analysis.skeleton.corrector import SEGMENTS, SIGNALS, Corrected, correct
from analysis.skeleton.features import describe, start_frames
from analysis.skeleton.rotations import pelvis_axes, unit

# Slow floor exercise holds little above 3 Hz (six harmonics of 0.5 Hz; Winter's residual reasoning).
CUTOFF_HZ: Final = 3.0
LONGEST_GAP_S: Final = 0.5
# 95 % half-width of an angle for each degree of error that the corrector expects of it, measured on
# rendered people held out of its training. Hips hardly show the pelvis (two points are a line), and the
# corrector then expects too little: hence the floor.
HALF_WIDTH_PER_SPREAD: Final = {
    "pelvic_tilt": 4.4, "pelvic_obliquity": 4.5, "pelvic_rotation": 5.3, "trunk_curl": 3.5,
    "hip_flexion": 5.6, "hip_abduction": 4.1, "hip_rotation": 3.5, "knee_flexion": 5.0,
}  # fmt: skip
PELVIS_FLOOR_DEG: Final = 2.5
# Rendered people hold an angle that an exercise leaves alone more still than anyone: no angle is told surer.
LEAST_FLOOR_DEG: Final = 1.0
# Bent knees that do not move err by more than the corrector expects (rendered people on all fours).
FLOOR_DEG: Final = {"knee_flexion": 4.0}
# How far a knee is bent hardly shows from above, along the shank: on fourteen rendered people filmed so, 95 %
# were within 2.1 times the half-width, in four of them off by as much in every picture.
FROM_ABOVE: Final = 2.1
ALONG_SIGHT: Final = 0.9  # cosine of the angle between the line of sight and the front of the body
# Seen obliquely, a body that is misjudged as a whole seems to lean in the picture, and so does one filmed
# with the phone out of level: the hips are off by about half of that. Without a lean they are read too
# straight. Both from 29 rendered people; 34 others agree (0.4 and 1.5), their error falls from 2.4 to 1.7.
OBLIQUE: Final = (0.35, 0.87)  # cosine of the angle between the line of sight and the right of the body
OBLIQUE_FLEXION_DEG: Final = 1.6
LEAN_SHARE: Final = 0.45
MOST_LEAN_DEG: Final = 25.0  # beyond, the camera itself is misjudged
# The same for each degree by which the corrector's networks disagree on the segments that make the angle:
# where they do by several degrees, they have not learned this posture.
HALF_WIDTH_PER_APART: Final = 2.0
# Where they disagree by this much, the pose model has lost the body, and the direction is missing.
LOST_DEG: Final = 10.0
_MADE_OF: Final = {"trunk_curl": ("trunk",), "hip_flexion": ("thigh",), "hip_abduction": ("thigh",),
                   "hip_rotation": ("thigh", "shank"), "knee_flexion": ("thigh", "shank")}  # fmt: skip

_LIMBS: Final = {"thigh": ("hip", "knee", (23, 25)), "shank": ("knee", "ankle", (25, 27))}
_SHOULDER_SHARE, _HEAD_SHARE = 0.93, 1.25  # of pelvis to neck; drawn joints only, no angle uses them


def fit(observations: Observations, exercise: Exercise) -> Skeleton:
    """One body for the whole clip; frames without a person are NaN.

    Directions are unit vectors (T, 3) in the mat frame: `pelvis_up`, `pelvis_right`, and the cranial axis
    of `trunk`, `thigh_left`, ... (from the far joint to the near one). half_width_deg is by angle.
    """
    t = observations.time_s
    if not np.isfinite(observations.landmarks_px[:, 0, 0]).any():
        return _nobody(len(t), t)
    size = (observations.width, observations.height)
    features = describe(
        t, observations.landmarks_px, observations.landmarks_cm, observations.visibility, exercise.lies, size
    )
    corrected = correct(features)
    known = np.where(corrected.apart[..., None] < LOST_DEG, corrected.directions, np.nan)
    for side, rows in legs.lost(observations).items():
        for part in _LIMBS:
            known[rows, SEGMENTS.index(f"{part}_{side}")] = np.nan
    directions = {
        name: unit(filters.smooth(t, known[:, i], CUTOFF_HZ, LONGEST_GAP_S))
        for i, name in enumerate(SEGMENTS)
    }
    directions |= _pelvis(t, corrected)
    half_widths = {s: _half_width(s, corrected, i) for i, s in enumerate(SIGNALS)}
    body = Skeleton(t, directions, _joints_cm(directions, observations.landmarks_cm), half_widths)
    camera = mat_in_camera(observations, body) if exercise.lies == "supine" else None
    if camera is None:
        return body
    if abs(float(camera[2, 0])) > ALONG_SIGHT:
        return _less_sure_knees(body)
    turn = _misjudged_deg(camera)
    return _with_legs_turned(body, turn, observations.landmarks_cm) if turn else body


def _misjudged_deg(camera: Floats) -> float:
    """By how much the hips of a client on the back, seen obliquely, are flexed more than was read [deg]."""
    up, head, right = camera.T
    lean = float(np.degrees(np.arctan2(up[0], -up[1])) * np.sign(head[0]))
    oblique = OBLIQUE[0] < abs(right[2]) < OBLIQUE[1]
    return OBLIQUE_FLEXION_DEG + LEAN_SHARE * lean if oblique and abs(lean) < MOST_LEAN_DEG else 0.0


def _with_legs_turned(body: Skeleton, turn_deg: float, landmarks_cm: Floats) -> Skeleton:
    """Both legs turned about the pelvis's axis to the right; positive flexes the hips."""
    turn = Rotation.from_euler("z", turn_deg, degrees=True).as_matrix()
    legs = {k: v @ turn.T for k, v in body.directions.items() if k.startswith(("thigh", "shank"))}
    directions = body.directions | legs
    return replace(body, directions=directions, joints_cm=_joints_cm(directions, landmarks_cm))


def _less_sure_knees(body: Skeleton) -> Skeleton:
    wider = {k: FROM_ABOVE * v for k, v in body.half_width_deg.items() if k.startswith("knee")}
    return replace(body, half_width_deg=body.half_width_deg | wider)


def _half_width(signal: str, corrected: Corrected, column: int) -> Floats:
    kind, _, side = signal.rpartition("_") if signal.endswith(SIDES) else (signal, "", "")
    expected = HALF_WIDTH_PER_SPREAD[kind] * corrected.spread[:, column]
    if kind in PELVIC_SIGNALS:
        return np.maximum(expected, PELVIS_FLOOR_DEG)
    segments = [SEGMENTS.index(f"{name}_{side}" if side else name) for name in _MADE_OF[kind]]
    apart = HALF_WIDTH_PER_APART * corrected.apart[:, segments].sum(axis=1)
    return np.asarray(np.maximum(np.hypot(expected, apart), FLOOR_DEG.get(kind, LEAST_FLOOR_DEG)))


def _pelvis(time_s: Floats, corrected: Corrected) -> dict[str, Floats]:
    """Axes of the pelvis, as a change from the still start."""
    angles = filters.smooth(time_s, corrected.pelvis, CUTOFF_HZ, LONGEST_GAP_S)
    start = start_frames(time_s) & np.isfinite(angles[:, 0])
    neutral = np.median(angles[start], axis=0) if start.any() else np.zeros(3)
    axes = pelvis_axes(angles - neutral)
    return {"pelvis_up": axes[:, :, 1], "pelvis_right": axes[:, :, 2]}


def _nobody(count: int, time_s: Floats) -> Skeleton:
    empty = np.full((count, 3), np.nan)
    directions = {name: empty.copy() for name in (*SEGMENTS, "pelvis_up", "pelvis_right")}
    return Skeleton(time_s, directions, np.full((count, len(JOINTS), 3), np.nan), {})


def _length(cm: Floats, a: int, b: int) -> float:
    """Usual length between two landmarks, both sides [cm]."""
    both = [np.linalg.norm(cm[:, a + k] - cm[:, b + k], axis=1) for k in (0, 1)]
    return float(np.nanmedian(both))


def _joints_cm(directions: dict[str, Floats], cm: Floats) -> Floats:
    """Joints (T, 17, 3) from directions and constant segment lengths; arms are not modelled (NaN)."""
    out = np.full((len(cm), len(JOINTS), 3), np.nan)
    trunk = np.linalg.norm((cm[:, 11] + cm[:, 12] - cm[:, 23] - cm[:, 24]) / 2, axis=1)
    spine = float(np.nanmedian(trunk)) / _SHOULDER_SHARE
    half_hips, half_shoulders = (
        float(np.nanmedian(np.linalg.norm(cm[:, a] - cm[:, a + 1], axis=1))) / 2 for a in (23, 11)
    )

    def put(joint: str, at: Floats) -> None:
        out[:, JOINTS.index(joint)] = at

    right, up = directions["pelvis_right"], directions["trunk"]
    put("pelvis", 0 * right)
    put("neck", spine * up)
    put("head", spine * _HEAD_SHARE * up)
    for side in SIDES:
        outward = right if side == "right" else -right
        put(f"shoulder_{side}", spine * _SHOULDER_SHARE * up + half_shoulders * outward)
        at = half_hips * outward
        put(f"hip_{side}", at)
        for limb, (_, far, (a, b)) in _LIMBS.items():
            at = at - _length(cm, a, b) * directions[f"{limb}_{side}"]
            put(f"{far}_{side}", at)
    return out
