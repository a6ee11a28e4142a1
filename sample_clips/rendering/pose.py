"""From what the client does (pelvis, trunk, legs) to a posed body with exact joint angles.

All vectors are in the mat frame (X anterior, Y cranial, Z right at the client's neutral; see
`analysis/conventions.py`), in metres; angles in degrees.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy.spatial.transform import Rotation

from sample_clips.rendering.body import Body, Floats

SIDES = ("left", "right")
_SIGN = {"left": -1.0, "right": 1.0}  # of Z on that side
DOWN = np.array([0.0, -1.0, 0.0])
RIGHT = np.array([0.0, 0.0, 1.0])


@dataclass(frozen=True)
class FreeLeg:
    """Leg given by angles in the mat frame [deg], carried along by the pelvis as told by `carried` 0..1."""

    flexion: float
    abduction: float = 0.0
    external: float = 0.0
    knee: float = 0.0
    carried: float = 0.0


@dataclass(frozen=True, eq=False)
class PlantedLeg:
    """Leg whose ankle is at a place [m]; the knee points along `knee_towards`, then turns outward [deg]."""

    ankle: Floats
    knee_towards: Floats
    fallout: float = 0.0
    sole_on_mat: bool = True


@dataclass(frozen=True)
class ArmPose:
    """Directions of upper arm and forearm, given for the right side, in trunk (or mat) axes."""

    upper: tuple[float, float, float] = (-0.1, -1.0, 0.25)
    fore: tuple[float, float, float] = (-0.05, -1.0, 0.15)
    in_trunk: bool = True


@dataclass(frozen=True, eq=False)
class Posture:
    """One moment of the client's movement."""

    legs: dict[str, FreeLeg | PlantedLeg]
    tilt: float = 0.0
    obliquity: float = 0.0
    rotation: float = 0.0
    trunk_curl: float = 0.0
    trunk_turn: float = 0.0
    neck_curl: float = 0.0
    lift: float = 0.0
    shift: Floats = field(default_factory=lambda: np.zeros(3))
    arms: dict[str, ArmPose] = field(default_factory=lambda: dict.fromkeys(SIDES, ArmPose()))


@dataclass(frozen=True, eq=False)
class Posed:
    """Segment rotations and positions in the mat frame, the exact angles [deg], and the frames of thighs and
    shanks by their joint centres."""

    rotations: dict[str, Floats]
    positions: dict[str, Floats]
    angles: dict[str, float | None]
    frames: dict[str, Floats]


def pelvis_rotation(tilt: float, obliquity: float, rotation: float) -> Floats:
    """Pelvis in the mat frame: rotation, obliquity, tilt order (Baker 2001); signs of the conventions."""
    return Rotation.from_euler("YXZ", [rotation, -obliquity, -tilt], degrees=True).as_matrix()


def _unit(v: Floats) -> Floats:
    return v / np.linalg.norm(v)


def _frame(down: Floats, right: Floats) -> Floats:
    """Segment frame (columns X, Y, Z) from its distal direction and a roughly right-pointing vector."""
    y = -_unit(down)
    z = _unit(right - (right @ y) * y)
    return np.column_stack([np.cross(y, z), y, z])


def _hip_rotation_matrix(leg: FreeLeg, side: str) -> Floats:
    s = _SIGN[side]
    euler = [leg.flexion, -s * leg.abduction, -s * leg.external]
    return Rotation.from_euler("ZXY", euler, degrees=True).as_matrix()


def _free_leg(leg: FreeLeg, side: str, pelvis: Floats) -> tuple[Floats, Floats]:
    carried = Rotation.from_matrix(pelvis).as_rotvec() * leg.carried
    thigh = Rotation.from_rotvec(carried).as_matrix() @ _hip_rotation_matrix(leg, side)
    return thigh, thigh @ Rotation.from_euler("Z", -leg.knee, degrees=True).as_matrix()


def _planted_leg(
    leg: PlantedLeg, side: str, hip: Floats, lengths: tuple[float, float]
) -> tuple[Floats, Floats]:
    """Two-bone chain from hip to ankle (law of cosines)."""
    a, b = lengths
    reach = leg.ankle - hip
    d = min(float(np.linalg.norm(reach)), 0.999 * (a + b))
    along = _unit(reach)
    across = _unit(leg.knee_towards - (leg.knee_towards @ along) * along)
    turn = Rotation.from_rotvec(np.radians(leg.fallout) * _SIGN[side] * along)
    across = turn.apply(across)
    cos_hip = np.clip((a * a + d * d - b * b) / (2 * a * d), -1, 1)
    knee = hip + a * (cos_hip * along + np.sqrt(1 - cos_hip**2) * across)
    thigh, shank = _unit(knee - hip), _unit(hip + along * d - knee)
    hinge = np.cross(shank, thigh)  # towards the right for a knee that bends backward
    return _frame(thigh, hinge), _frame(shank, hinge)


def _swing(rest: Floats, target: Floats) -> Floats:
    """Smallest rotation from one direction to another."""
    return Rotation.align_vectors([_unit(target)], [_unit(rest)])[0].as_matrix()


def _place(body: Body, child: str, parent: str, rot: dict[str, Floats], pos: dict[str, Floats]) -> None:
    pos[child] = pos[parent] + rot[parent] @ (body.pivots[child] - body.pivots[parent])


_SPINE_SHARE = {"spine05": 0.25, "spine04": 0.5, "spine03": 0.75, "spine02": 0.95, "spine01": 1.0}


def _pose_trunk(body: Body, p: Posture, rot: dict[str, Floats], pos: dict[str, Floats]) -> None:
    pelvis = Rotation.from_matrix(rot["pelvis"])
    trunk = Rotation.from_euler("YZ", [p.trunk_turn, -p.trunk_curl], degrees=True)
    between = (pelvis.inv() * trunk).as_rotvec()
    parent = "pelvis"
    for bone, share in _SPINE_SHARE.items():
        rot[bone] = (pelvis * Rotation.from_rotvec(share * between)).as_matrix()
        _place(body, bone, parent, rot, pos)
        parent = bone
    rot["trunk"] = rot["spine01"]
    _place(body, "trunk", "spine01", rot, pos)
    for bone, share in (("neck", 0.5), ("head", 1.0)):
        nod = Rotation.from_euler("Z", -share * p.neck_curl, degrees=True).as_matrix()
        rot[bone] = rot["trunk"] @ nod
        _place(body, bone, "trunk" if bone == "neck" else "neck", rot, pos)


def _pose_arm(body: Body, arm: ArmPose, side: str, rot: dict[str, Floats], pos: dict[str, Floats]) -> None:
    mirror = np.array([1.0, 1.0, _SIGN[side]])
    base = rot["trunk"] if arm.in_trunk else np.eye(3)
    upper, fore, hand = (body.pivots[n + "_" + side] for n in ("upper_arm", "forearm", "hand"))
    for name, rest, towards, parent in (
        ("upper_arm", fore - upper, arm.upper, "trunk"),
        ("forearm", hand - fore, arm.fore, f"upper_arm_{side}"),
    ):
        segment = f"{name}_{side}"
        rot[segment] = _swing(rest, base @ (np.array(towards) * mirror))
        _place(body, segment, parent, rot, pos)


def _rest_leg_frames(body: Body, side: str) -> tuple[Floats, Floats]:
    hip, knee, ankle = (body.pivots[n + "_" + side] for n in ("thigh", "shank", "foot"))
    return _frame(knee - hip, RIGHT), _frame(ankle - knee, RIGHT)


def leg_lengths(body: Body, side: str) -> tuple[float, float]:
    """Lengths of thigh and shank [m]."""
    return body.length(f"thigh_{side}", f"shank_{side}"), body.length(f"shank_{side}", f"foot_{side}")


def _pose_leg(
    body: Body, leg: FreeLeg | PlantedLeg, side: str, rot: dict[str, Floats], pos: dict[str, Floats]
) -> tuple[Floats, Floats]:
    _place(body, f"thigh_{side}", "pelvis", rot, pos)
    if isinstance(leg, FreeLeg):
        thigh, shank = _free_leg(leg, side, rot["pelvis"])
        flat = 0.35  # pointed a little
    else:
        thigh, shank = _planted_leg(leg, side, pos[f"thigh_{side}"], leg_lengths(body, side))
        flat = 0.0
    rest_thigh, rest_shank = _rest_leg_frames(body, side)
    rot[f"thigh_{side}"] = thigh @ rest_thigh.T
    _place(body, f"shank_{side}", f"thigh_{side}", rot, pos)
    rot[f"shank_{side}"] = shank @ rest_shank.T
    _place(body, f"foot_{side}", f"shank_{side}", rot, pos)
    point = Rotation.from_euler("Z", -60 * flat, degrees=True).as_matrix()
    rot[f"foot_{side}"] = rot[f"shank_{side}"] @ point
    if isinstance(leg, PlantedLeg) and leg.sole_on_mat:
        sole = Rotation.from_matrix(_frame(np.array([-1.0, 0.0, 0.0]), shank[:, 2])).as_matrix()
        rot[f"foot_{side}"] = sole
    return thigh, shank


def joint_angles(pelvis: Floats, thigh: Floats, shank: Floats, side: str) -> dict[str, float | None]:
    """Exact hip and knee angles [deg] from the frames: Grood-Suntay at the hip, included angle at the knee."""
    s = _SIGN[side]
    knee = float(np.degrees(np.arccos(np.clip(thigh[:, 1] @ shank[:, 1], -1, 1))))
    flexion, adduction, internal = Rotation.from_matrix(pelvis.T @ thigh).as_euler("ZXY", degrees=True)
    return {
        f"hip_flexion_{side}": float(flexion),
        f"hip_abduction_{side}": float(-s * adduction),
        f"hip_rotation_{side}": float(-s * internal) if knee >= 20 else None,
        f"knee_flexion_{side}": knee,
    }


def pose(body: Body, p: Posture) -> Posed:
    """Pose the body; positions are relative to the neutral middle of the hips."""
    rot: dict[str, Floats] = {"pelvis": pelvis_rotation(p.tilt, p.obliquity, p.rotation)}
    pos: dict[str, Floats] = {"pelvis": p.shift + np.array([p.lift, 0.0, 0.0])}
    _pose_trunk(body, p, rot, pos)
    y = rot["trunk"][:, 1]
    angles: dict[str, float | None] = {
        "pelvic_tilt": p.tilt,
        "pelvic_obliquity": p.obliquity,
        "pelvic_rotation": p.rotation,
        "trunk_curl": float(np.degrees(np.arctan2(y[0], y[1]))),
    }
    frames: dict[str, Floats] = {}
    for side in SIDES:
        thigh, shank = _pose_leg(body, p.legs[side], side, rot, pos)
        frames |= {f"thigh_{side}": thigh, f"shank_{side}": shank}
        angles |= joint_angles(rot["pelvis"], thigh, shank, side)
        _pose_arm(body, p.arms[side], side, rot, pos)
    return Posed(rot, pos, angles, frames)
