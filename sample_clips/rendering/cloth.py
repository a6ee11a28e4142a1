"""Spots of cloth on many people, without drawing a picture: what the reading of the cloth learns from.

    python -m sample_clips.rendering.cloth OUT.npz --bodies BODIES.npz --clips 2000 --seed 50000

A spot is a point of the skin where the tracker would find one; its way through the clip is that of the
skin. What the walk would know beside it (landmarks, directions of the segments, the camera) is exact truth
with errors of the size that rendered clips show.
"""

from __future__ import annotations

import argparse
from dataclasses import fields
from pathlib import Path

import numpy as np
from scipy.spatial.transform import Rotation

from analysis.conventions import PELVIC_SIGNALS, SIDES
from analysis.fabric import SPOTS, patch
from analysis.pelvis import cloth
from analysis.records import JOINTS, LANDMARKS, Observations, Skeleton
from analysis.skeleton.features import start_frames
from sample_clips.rendering.body import Body, Floats, load_bodies
from sample_clips.rendering.clip import Plan, plan
from sample_clips.rendering.dataset import VIEWS, blend
from sample_clips.rendering.motions import MOVEMENTS
from sample_clips.rendering.pose import Posed
from sample_clips.rendering.scene import _normals
from sample_clips.rendering.unsteady import FAULTS

RATE_HZ, LONGEST_S = 4.0, 16.0
# Every fault of the pelvis in every exercise: what is learned must not depend on how these are played.
TABLE = {name: type(one.__name__, (one,), {"faults": FAULTS}) for name, one in MOVEMENTS.items()}
DIRECTIONS = ("trunk", *(f"{s}_{side}" for side in SIDES for s in ("thigh", "shank")))
# Errors of the pose model, as shares of the trunk: its own offsets, some of which go with the movement,
# and its wander; of the directions and the camera [deg]; of the tracker.
OFFSET, WITH_MOVEMENT, WANDER = 0.045, 0.06, 0.018
DIRECTION_DEG, DIRECTION_WANDER_DEG, CAMERA_DEG = 3.5, 1.5, 3.0
SPOT, LOST = 0.0016, 0.15


def draw(bodies: list[Body], seed: int) -> Plan:
    """A clip to be told, not drawn."""
    rng = np.random.default_rng(seed)
    name = list(TABLE)[seed % len(TABLE)]
    views = TABLE[name].views if rng.random() < 0.85 else VIEWS[TABLE[name].lies]
    share = float(rng.choice([0.2, 0.35, 0.6]))
    return plan(
        name, name, blend(bodies, rng), seed, view=str(rng.choice(views)), table=TABLE, fault_share=share
    )


def rows(p: Plan, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """Features (T, F) of `analysis.pelvis.cloth` and pelvic angles since the start (T, 3) [deg]."""
    times = np.arange(0.1, min(p.duration_s, LONGEST_S), 1 / RATE_HZ)
    posed = [p.posed(float(t)) for t in times]
    landmarks = np.array([_landmarks(p, q) for q in posed])
    seen = _as_seen(landmarks, times, rng)
    start = _spots(p, posed[0], seen[0], rng)
    observations = _observations(p, times, seen, *_followed(p, posed, start, seen, rng))
    turned = Rotation.from_rotvec(np.radians(rng.normal(0, CAMERA_DEG, 3))).as_matrix()
    camera = p.camera.axes() @ p.frame @ turned
    told = cloth.describe(observations, _skeleton(posed, times, rng), camera, p.movement.lies)
    angles = np.array([[q.angles[s] for s in PELVIC_SIGNALS] for q in posed], float)
    return told, angles - np.median(angles[start_frames(times)], axis=0)


def _landmarks(p: Plan, posed: Posed) -> Floats:
    """True joints in the picture (33, 2) [px]; NaN for landmarks that nothing here uses."""
    names = {"shoulder": "upper_arm", "hip": "thigh", "knee": "shank", "ankle": "foot"}
    px = np.full((33, 2), np.nan)
    for name, joint in names.items():
        for side in SIDES:
            at = p.world(posed.positions[f"{joint}_{side}"])
            px[LANDMARKS[f"{name}_{side}"]] = p.camera.project(at)
    for k, side in enumerate(SIDES):  # elbow, wrist and hand, which hide cloth
        fore, hand = f"forearm_{side}", f"hand_{side}"
        body = p.movement.body
        wrist = posed.positions[fore] + posed.rotations[fore] @ (body.pivots[hand] - body.pivots[fore])
        px[13 + k] = p.camera.project(p.world(posed.positions[fore]))
        px[[15 + k, 19 + k]] = p.camera.project(p.world(wrist))
    return px


def _wander(times: Floats, count: int, over_s: float, rng: np.random.Generator) -> Floats:
    """Smooth noise (T, count) of unit size that changes over a time [s]."""
    knots = rng.normal(size=(max(2, int(np.ptp(times) / over_s) + 2), count))
    x = np.linspace(0, len(knots) - 1, len(times))
    return np.stack([np.interp(x, np.arange(len(knots)), knot) for knot in knots.T], axis=1)


def _as_seen(landmarks: Floats, times: Floats, rng: np.random.Generator) -> Floats:
    trunk = patch.trunk_px(landmarks[0])
    moved = (landmarks - landmarks[:1]) * rng.normal(0, WITH_MOVEMENT, (33, 1))
    wander = np.stack([_wander(times, 33, 0.8, rng) for _ in range(2)], axis=2)
    return landmarks + rng.normal(0, OFFSET * trunk, (33, 2)) + moved + WANDER * trunk * wander


def _spots(p: Plan, posed: Posed, landmarks: Floats, rng: np.random.Generator) -> np.ndarray:
    """Vertices on which the tracker could find a spot: seen from the camera, over the pelvis, off the limbs."""
    body, camera, trunk = p.movement.body, p.camera, patch.trunk_px(landmarks)
    world = p.world(body.skin(posed.rotations, posed.positions))
    at = camera.project(world)
    towards = camera.at - world
    facing = (_normals(world, body.triangles) * towards).sum(1) / np.linalg.norm(towards, axis=1)
    there = (facing > 0.3) & _in_front(at, towards @ -camera.axes()[2], trunk)
    there &= patch.over_pelvis(at, landmarks, trunk)
    found = rng.permutation(np.flatnonzero(there))[: int(rng.integers(8, SPOTS))]
    if len(found) and rng.random() < 0.4:  # cloth that shows spots on one side only
        height = at[found] @ rng.normal(size=2)
        found = found[height >= np.quantile(height, rng.uniform(0, 0.5))]
    return found if len(found) >= cloth.FEWEST else np.empty(0, int)


def _in_front(at: Floats, depth: Floats, trunk: float) -> np.ndarray:
    """Which points (n, 2) are not hidden by others, by cells of the picture."""
    cells = np.floor(at / max(trunk / 25, 4)).astype(int)
    _, cell = np.unique(cells, axis=0, return_inverse=True)
    nearest = np.full(cell.max() + 1, np.inf)
    np.minimum.at(nearest, cell.ravel(), depth)
    return np.asarray(depth < nearest[cell.ravel()] + 0.03)


def _followed(
    p: Plan, posed: list[Posed], spots: np.ndarray, landmarks: Floats, rng: np.random.Generator
) -> tuple[Floats, Floats]:
    """Spots at the start (SPOTS, 2) and in every picture (T, SPOTS, 2) [px], as the tracker follows them."""
    start, px = np.full((SPOTS, 2), np.nan), np.full((len(posed), SPOTS, 2), np.nan)
    if len(spots):
        body = p.movement.body
        part = Body(body.vertices[spots], body.triangles, body.weights[spots], body.pivots)
        ways = np.array([p.camera.project(p.world(part.skin(q.rotations, q.positions))) for q in posed])
        start[: len(spots)] = ways[0]
        px[:, : len(spots)] = ways + rng.normal(0, SPOT * patch.trunk_px(landmarks[0]), ways.shape)
        px[rng.random(px.shape[:2]) < LOST] = np.nan
    return start, px


def _observations(p: Plan, times: Floats, landmarks: Floats, start: Floats, spots: Floats) -> Observations:
    unseen = {f.name: np.full(len(times), np.nan) for f in fields(Observations)}
    known = {"time_s": times, "width": p.camera.width, "height": p.camera.height, "landmarks_px": landmarks,
             "fabric_start_px": start, "fabric_px": spots}  # fmt: skip
    return Observations(**(unseen | known))


def _skeleton(posed: list[Posed], times: Floats, rng: np.random.Generator) -> Skeleton:
    """Directions as the corrector tells them."""
    directions = {}
    for name in DIRECTIONS:
        true = np.array([(q.frames.get(name, q.rotations.get(name)))[:, 1] for q in posed])
        size = 0.5 if name == "trunk" else 1.0
        errors = rng.normal(0, DIRECTION_DEG * size, 3) + DIRECTION_WANDER_DEG * size * _wander(
            times, 3, 1.0, rng
        )
        turned = Rotation.from_rotvec(np.radians(errors)).apply(true)
        turned = turned + (turned - turned[:1]) * rng.normal(0, WITH_MOVEMENT)
        directions[name] = turned / np.linalg.norm(turned, axis=1, keepdims=True)
    return Skeleton(times, directions, np.full((len(times), len(JOINTS), 3), np.nan))


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("out", type=Path)
    parser.add_argument("--bodies", type=Path, required=True)
    parser.add_argument("--clips", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=50_000)
    a = parser.parse_args()
    bodies = load_bodies(a.bodies)
    done = [rows(draw(bodies, s), np.random.default_rng(s)) for s in range(a.seed, a.seed + a.clips)]
    clip = np.repeat(np.arange(len(done)), [len(x) for x, _ in done])
    np.savez_compressed(a.out, features=np.concatenate([x for x, _ in done]).astype(np.float32),
                        angles=np.concatenate([y for _, y in done]).astype(np.float32), clip=clip)  # fmt: skip


if __name__ == "__main__":
    main()
