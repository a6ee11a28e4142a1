"""Unit vectors, and rotations of the pelvis by the conventions' signs, both ways."""

from __future__ import annotations

from typing import Final

import numpy as np
from scipy.spatial.transform import Rotation

from analysis.records import Floats


def unit(v: Floats) -> Floats:
    """Vectors (..., 3) of length 1."""
    return np.asarray(v / np.maximum(np.linalg.norm(v, axis=-1, keepdims=True), 1e-6), float)


# Rotation axes in the mat frame (right-hand rule) of + tilt, + obliquity, + rotation, as rows.
TURN_AXES: Final = np.array([[0.0, 0.0, -1.0], [-1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])


def trunk_curl(trunk: Floats) -> Floats:
    """Rise (T,) [deg] of the thorax's long axis (T, 3, mat frame) from the mat plane, towards the front."""
    return np.asarray(np.degrees(np.arctan2(trunk[:, 0], trunk[:, 1])), float)


def pelvis_axes(angles: Floats) -> Floats:
    """Axes (T, 3, 3; columns X, Y, Z in the mat frame) from tilt, obliquity, rotation (T, 3) [deg].

    Rotation, obliquity, tilt order (Baker 2001, Gait Posture 13:1). NaN in, NaN out.
    """
    out = np.full((len(angles), 3, 3), np.nan)
    ok = np.isfinite(angles).all(axis=1)
    if ok.any():
        tilt, obliquity, rotation = angles[ok].T
        euler = np.column_stack([rotation, -obliquity, -tilt])
        out[ok] = Rotation.from_euler("YXZ", euler, degrees=True).as_matrix()
    return out


def pelvis_angles(axes: Floats) -> Floats:
    """Tilt, obliquity, rotation (T, 3) [deg] from axes (T, 3, 3); the inverse of `pelvis_axes`."""
    out = np.full((len(axes), 3), np.nan)
    ok = np.isfinite(axes).all(axis=(1, 2))
    if ok.any():
        rotation, obliquity, tilt = Rotation.from_matrix(axes[ok]).as_euler("YXZ", degrees=True).T
        out[ok] = np.column_stack([-tilt, -obliquity, rotation])
    return out
