"""Joint angles from the body and the motion of its pelvis.

Hip: Grood-Suntay decomposition (J Biomech Eng 105:136, 1983) in ISB axes, flexion, adduction, internal
rotation, with the signs of `conventions.py`. Knee: angle between thigh and shank.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
from scipy.spatial.transform import Rotation

from analysis.conventions import (
    JOINT_ANGLES,
    KNEE_TOO_STRAIGHT_FOR_HIP_ROTATION_DEG,
    PELVIC_SIGNALS,
    SIDES,
    TRUNK_CURL,
    Side,
    joint_signal,
)
from analysis.pelvis import PelvisMotion
from analysis.records import Floats, Motion, Skeleton
from analysis.skeleton import pelvis_axes, trunk_curl

_OUTWARD: Final = {"left": -1.0, "right": 1.0}  # sign of Z on that side
# 95 % half-width of a value in a picture, from what the skeleton step expects: a share of it, and a least
# error that does not shrink with it. Measured on 216 rendered clips of people that nothing was learned from:
# errors grow less than is expected.
VALUE_SHARE: Final = {"hip_flexion": 0.65, "hip_abduction": 0.8, "hip_rotation": 0.85, "trunk_curl": 0.9}
VALUE_FLOOR_DEG: Final = {"hip_flexion": 4.2}
# 95 % half-width of a difference between rest and the far end of a repetition, as a share of the angle's
# own: measured on 72 rendered clips of people that the corrector had not learned from, some of them with
# faults of the pelvis, which a hip angle takes over.
CHANGE_SHARE: Final = {"hip_flexion": 1.0, "hip_abduction": 1.3, "hip_rotation": 1.25, "knee_flexion": 1.05,
                       "trunk_curl": 1.1}  # fmt: skip


def hip_angles(pelvis: Floats, thigh: Floats, side: Side) -> Floats:
    """Flexion, abduction, external rotation (T, 3) [deg] from axes (T, 3, 3) in one frame.

    NaN rows stay NaN. Rotation is meaningless where the thigh's axes are not known from a bent knee.
    """
    out = np.full((len(pelvis), 3), np.nan)
    ok = np.isfinite(pelvis).all(axis=(1, 2)) & np.isfinite(thigh).all(axis=(1, 2))
    if ok.any():
        relative = np.einsum("tji,tjk->tik", pelvis[ok], thigh[ok])
        flexion, adduction, internal = Rotation.from_matrix(relative).as_euler("ZXY", degrees=True).T
        s = _OUTWARD[side]
        out[ok] = np.column_stack([flexion, -s * adduction, -s * internal])
    return out


def knee_flexion(thigh: Floats, shank: Floats) -> Floats:
    """Knee flexion (T,) [deg] from the cranial axes (T, 3) of thigh and shank; 0 is straight."""
    across = np.linalg.norm(np.cross(thigh, shank), axis=1)
    return np.asarray(np.degrees(np.arctan2(across, (thigh * shank).sum(axis=1))), float)


def thigh_axes(thigh: Floats, shank: Floats, right: Floats) -> Floats:
    """Axes (T, 3, 3) of the thigh: Y its cranial axis, Z the knee's hinge, to the right.

    Where the knee is nearly straight the hinge is not known: Z is then the pelvis's `right` (T, 3).
    """
    hinge = np.cross(shank, thigh)
    bent = knee_flexion(thigh, shank) >= KNEE_TOO_STRAIGHT_FOR_HIP_ROTATION_DEG
    hinge = np.where(bent[:, None], hinge, right)
    hinge = hinge - (hinge * thigh).sum(axis=1, keepdims=True) * thigh
    with np.errstate(invalid="ignore"):
        z = hinge / np.linalg.norm(hinge, axis=1, keepdims=True)
    return np.stack([np.cross(thigh, z), thigh, z], axis=2)


def _leg(body: Skeleton, pelvis: Floats, side: Side) -> dict[str, Floats]:
    thigh, shank = body.directions[f"thigh_{side}"], body.directions[f"shank_{side}"]
    knee = knee_flexion(thigh, shank)
    hip = hip_angles(pelvis, thigh_axes(thigh, shank, pelvis[:, :, 2]), side)
    turn = np.where(knee >= KNEE_TOO_STRAIGHT_FOR_HIP_ROTATION_DEG, hip[:, 2], np.nan)
    values = (hip[:, 0], hip[:, 1], turn, knee)
    return {joint_signal(j, side): v for j, v in zip(JOINT_ANGLES, values, strict=True)}


def measure(body: Skeleton, pelvis: PelvisMotion) -> Motion:
    """Every signal of the conventions that the clip can answer, with its 95 % half-widths."""
    known = pelvis.values | pelvis.bridged
    angles = np.column_stack([known.get(s, np.full(len(body.time_s), np.nan)) for s in PELVIC_SIGNALS])
    # Where an axis of the pelvis cannot be seen, the hips are told from the neutral one, which is said there.
    axes = pelvis_axes(np.nan_to_num(angles))
    values = dict(pelvis.values) | {TRUNK_CURL: trunk_curl(body.directions["trunk"])}
    for side in SIDES:
        values |= _leg(body, axes, side)
    values = {name: v for name, v in values.items() if np.isfinite(v).any()}
    expected = {n: _half_width(body, n) for n in values if n not in pelvis.values}
    whole = {n: _of_value(n, w) for n, w in expected.items()} | pelvis.uncertainty_deg
    change = {n: CHANGE_SHARE.get(_kind(n), 1.0) * w for n, w in expected.items()}
    change |= pelvis.change_uncertainty_deg
    return Motion(
        body.time_s,
        values,
        {n: whole[n] for n in values},
        {n: change[n] for n in values},
        pelvis.source,
        pelvis.overstated_deg,
        pelvis.understated_deg,
        pelvis.bridged,
    )


def less_sure(motion: Motion, times: float) -> Motion:
    """The same with so many times as wide half-widths of values; those of changes have room for it."""
    return replace(motion, uncertainty_deg={n: times * w for n, w in motion.uncertainty_deg.items()})


def _half_width(body: Skeleton, name: str) -> float:
    return float(np.nanmedian(body.half_width_deg[name]))


def _of_value(name: str, expected_deg: float) -> float:
    kind = _kind(name)
    return float(np.hypot(VALUE_FLOOR_DEG.get(kind, 0.0), VALUE_SHARE.get(kind, 1.0) * expected_deg))


def _kind(name: str) -> str:
    """The signal without its side."""
    return name.removesuffix("_left").removesuffix("_right")
