"""Pose landmarks of many rendered people with their exact bodies: what the skeleton step learns from.

    python -m sample_clips.rendering.dataset OUT.npz --bodies BODIES.npz --clips 500 --seed 1

Clips differ in body, clothes, light, room, phone, exercise and view; a third of them move at random
within the joints' limits, so that what is learned does not depend on how these exercises are played.
"""

from __future__ import annotations

import argparse
import os
import time
from concurrent.futures import ProcessPoolExecutor, as_completed
from pathlib import Path

import cv2
import numpy as np

from sample_clips.rendering.body import Body, Floats, load_bodies
from sample_clips.rendering.clip import Plan, frames, plan
from sample_clips.rendering.motions import MOVEMENTS
from sample_clips.rendering.person import Conditions
from sample_clips.rendering.roaming import ROAMING

VIEWS = {
    "supine": ("side", "oblique", "overhead"),
    "side_lying": ("front", "oblique", "overhead"),
    "kneeling": ("side", "oblique"),
}
SIZES = ((1280, 720), (1280, 720), (960, 720), (720, 960), (720, 1280))
SEGMENTS = ("pelvis", "trunk", "thigh_left", "shank_left", "thigh_right", "shank_right", "head")
POINTS = ("thigh_left", "thigh_right", "shank_left", "shank_right", "foot_left", "foot_right",
          "upper_arm_left", "upper_arm_right", "neck", "head")  # fmt: skip
SIGNALS = ("pelvic_tilt", "pelvic_obliquity", "pelvic_rotation", "trunk_curl", *(
    f"{j}_{s}" for j in ("hip_flexion", "hip_abduction", "hip_rotation", "knee_flexion") for s in ("left", "right")))  # fmt: skip


def blend(bodies: list[Body], rng: np.random.Generator) -> Body:
    """A new body between some of the stored ones."""
    w = rng.dirichlet(np.full(len(bodies), 0.35))
    first = bodies[0]
    return Body(
        sum(x * b.vertices for x, b in zip(w, bodies, strict=True)), first.triangles, first.weights,
        {n: sum(x * b.pivots[n] for x, b in zip(w, bodies, strict=True)) for n in first.pivots},
    )  # fmt: skip


def draw_plan(bodies: list[Body], seed: int) -> Plan:
    """A random clip."""
    rng = np.random.default_rng(seed)
    body = blend(bodies, rng)
    table = ROAMING if rng.random() < 0.35 else MOVEMENTS
    movement = table[str(rng.choice(list(table)))]
    views = movement.views if rng.random() < 0.6 else VIEWS[movement.lies]
    conditions = Conditions(
        clothes=str(rng.choice(["any", "any", "any", "plain", "dark"])), low_light=bool(rng.random() < 0.08),
        mat_like_clothes=bool(rng.random() < 0.1), roll_deg=12.0 if rng.random() < 0.2 else 3.0, size=SIZES[int(rng.integers(len(SIZES)))],
    )  # fmt: skip
    return plan(
        f"{movement.name}-{seed}",
        movement.name,
        body,
        seed,
        view=str(rng.choice(views)),
        conditions=conditions,
        table=table,
    )


def _compress(picture: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """What the phone's encoder does to a picture, roughly."""
    quality = int(rng.integers(35, 92))
    _, data = cv2.imencode(".jpg", picture[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, quality])
    return np.ascontiguousarray(cv2.imdecode(data, cv2.IMREAD_COLOR)[..., ::-1])


def observe_clip(bodies: list[Body], seed: int, model: Path, rate_hz: float) -> dict[str, Floats]:
    """Landmarks and truth of one clip, (T, ...) arrays."""
    import mediapipe as mp
    from mediapipe.tasks.python import BaseOptions, vision

    p = draw_plan(bodies, seed)
    rng = np.random.default_rng(seed + 10**6)
    times = np.arange(0, p.duration_s, 1 / rate_hz)
    options = vision.PoseLandmarkerOptions(
        base_options=BaseOptions(model_asset_path=str(model)), running_mode=vision.RunningMode.IMAGE,
        min_pose_detection_confidence=0.3, min_pose_presence_confidence=0.3,
    )  # fmt: skip
    rows: dict[str, list[Floats]] = {
        k: [] for k in ("px", "cm", "visibility", "angles", "rotations", "points_px", "points_m")
    }
    size = np.array([p.camera.width, p.camera.height, p.camera.width])
    with vision.PoseLandmarker.create_from_options(options) as landmarker:
        for picture, posed in frames(p, times):
            image = mp.Image(image_format=mp.ImageFormat.SRGB, data=_compress(picture, rng))
            found = landmarker.detect(image)
            marks = found.pose_landmarks[0] if found.pose_landmarks else None
            world = found.pose_world_landmarks[0] if marks else None
            rows["px"].append(
                np.array([[q.x, q.y, q.z] for q in marks]) * size if marks else np.full((33, 3), np.nan)
            )
            rows["cm"].append(
                np.array([[q.x, q.y, q.z] for q in world]) * 100 if marks else np.full((33, 3), np.nan)
            )
            rows["visibility"].append(
                np.array([q.visibility for q in marks]) if marks else np.full(33, np.nan)
            )
            rows["angles"].append(
                np.array([np.nan if posed.angles[s] is None else posed.angles[s] for s in SIGNALS])
            )
            rows["rotations"].append(_segment_frames(p, posed))
            points = np.array([posed.positions[s] for s in POINTS])
            rows["points_m"].append(points)
    out = {k: np.array(v, np.float32) for k, v in rows.items()}
    return out | {"time_s": times.astype(np.float32), "meta": _meta(p)}


def _segment_frames(p: Plan, posed: object) -> Floats:
    """Frames (7, 3, 3) of the segments in the mat frame; legs by joint centres, not by skin."""
    return np.array([posed.frames.get(s, posed.rotations[s]) for s in SEGMENTS])  # type: ignore[attr-defined]


def _meta(p: Plan) -> Floats:
    """Picture size, focal length, camera axes in the mat frame (9), position, lies, exercise and view numbers."""
    axes = p.camera.axes() @ p.frame
    lies = ("supine", "side_lying", "kneeling").index(p.movement.lies)
    names = [*MOVEMENTS, *ROAMING]
    view = ("side", "oblique", "overhead", "front").index(p.view)
    side = {"left": 1.0, "right": -1.0}.get(getattr(p.movement, "top", ""), 0.0)
    at = (p.camera.at - p.origin) @ p.frame
    return np.array(
        [
            p.camera.width,
            p.camera.height,
            p.camera.focal,
            *axes.ravel(),
            *at,
            lies,
            names.index(p.movement.name),
            view,
            side,
        ],
        np.float32,
    )


_BODIES: list[Body] = []


def _task(args: tuple[Path, int, Path, float]) -> dict[str, Floats] | str:
    path, seed, model, rate = args
    if not _BODIES:
        _BODIES.extend(load_bodies(path))
    try:
        return observe_clip(_BODIES, seed, model, rate)
    except Exception as error:  # one odd draw must not end a long run; it is counted
        return f"{seed}: {error!r}"


def build(bodies: Path, model: Path, seeds: range, rate_hz: float, seconds: float) -> dict[str, Floats]:
    """All clips of the seeds, over all cores, within a time limit [s]; `clip` tells rows apart."""
    start, done, failed = time.time(), [], []
    with ProcessPoolExecutor(len(os.sched_getaffinity(0))) as pool:
        tasks = {pool.submit(_task, (bodies, s, model, rate_hz)): s for s in seeds}
        for task in as_completed(tasks):
            result = task.result()
            (failed if isinstance(result, str) else done).append(
                result if isinstance(result, str) else (tasks[task], result)
            )
            if time.time() - start > seconds:
                pool.shutdown(wait=False, cancel_futures=True)
                break
    print(f"{len(done)} clips, {len(failed)} failed", failed[:3])
    out = {k: np.concatenate([r[k] for _, r in done]) for k in done[0][1] if k != "meta"}
    out["meta"] = np.stack([r["meta"] for _, r in done])
    out["clip"] = np.repeat(np.arange(len(done), dtype=np.int32), [len(r["time_s"]) for _, r in done])
    out["seed"] = np.array([s for s, _ in done], np.int32)
    return out


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("out", type=Path)
    parser.add_argument("--bodies", type=Path, required=True)
    parser.add_argument("--model", type=Path, default=Path("analysis/models/pose_heavy.task"))
    parser.add_argument("--clips", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--rate", type=float, default=5.0)
    parser.add_argument("--seconds", type=float, default=1e9)
    a = parser.parse_args()
    data = build(a.bodies, a.model, range(a.seed, a.seed + a.clips), a.rate, a.seconds)
    halves = {
        k: v.astype(np.float16) if k in ("cm", "visibility", "angles", "rotations", "points_m") else v
        for k, v in data.items()
    }
    halves["px"] = np.where(np.isfinite(data["px"]), np.round(data["px"] * 8), -32768).astype(
        np.int16
    )  # 1/8 px
    np.savez_compressed(a.out, **halves)


if __name__ == "__main__":
    main()
