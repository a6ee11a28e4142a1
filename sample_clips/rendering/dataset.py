"""Pose landmarks of many rendered people with their exact bodies: what the skeleton step learns from.

    python -m sample_clips.rendering.dataset OUT.npz --bodies BODIES.npz --clips 500 --seed 1

Clips differ in body, clothes, light, room, phone, exercise and view; a quarter of them move at random
within the joints' limits, and most others in sets much smaller or larger than usual, so that what is learned
depends neither on how these exercises are played nor on how far people usually go. The pose model follows
the client as it does in `analysis.observe`. Every tenth clip is of the bodies held out, for `train` to
measure on.
"""

from __future__ import annotations

import argparse
import os
import time
from collections.abc import Callable
from concurrent.futures import FIRST_COMPLETED, ProcessPoolExecutor, wait
from functools import partial
from itertools import islice
from pathlib import Path

import cv2
import numpy as np

from analysis.landmarks import COUNT, Follower, Pose
from analysis.observe.shrink import halved
from sample_clips.rendering.body import Body, Floats, load_bodies
from sample_clips.rendering.clip import Plan, frames, plan
from sample_clips.rendering.motions import MOVEMENTS, Supine
from sample_clips.rendering.movement import Movement
from sample_clips.rendering.person import Conditions
from sample_clips.rendering.roaming import ROAMING
from sample_clips.rendering.unsteady import UNSTEADY

VIEWS = {
    "supine": ("side", "oblique", "overhead"),
    "side_lying": ("front", "oblique", "overhead"),
    "kneeling": ("side", "oblique"),
}
SIZES = ((1280, 720), (960, 540), (960, 540), (960, 720), (720, 960), (540, 960), (720, 1280))
SEGMENTS = ("trunk", "thigh_left", "shank_left", "thigh_right", "shank_right")
ENDS = ("shank_left", "shank_right", "foot_left", "foot_right",
        "upper_arm_left", "upper_arm_right", "forearm_left", "forearm_right", "head")  # fmt: skip
LONGEST_S = (12.0, 20.0)  # more clips teach more than longer ones
UNSTEADY_S = (16.0, 26.0)  # one repetition is told from the others
HELD_OUT = 15  # of the stored bodies, the last
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


def widened(movement: Movement, rng: np.random.Generator) -> Movement:
    """The movement in a smaller or larger set than usual, and with the knees bent more or less."""
    if rng.random() < 0.75:
        movement.size = float(rng.uniform(0.3, 1.6))
    if isinstance(movement, Supine) and rng.random() < 0.5:
        movement.bend = float(rng.uniform(65, 122))
        movement.spread = float(movement.spread + rng.uniform(-0.02, 0.09))
    return movement


def longer(movement: Movement, fewest: int) -> Movement:
    """The movement in sets of at least so many repetitions."""
    movement.reps = tuple(max(n, fewest) for n in movement.reps)  # type: ignore[assignment]
    return movement


def draw_plan(bodies: list[Body], seed: int, unsteady: bool, fewest: int = 1) -> Plan:
    """A random clip; `unsteady`, with the pelvis astray in half of the repetitions. `fewest` repetitions, at
    least."""
    rng = np.random.default_rng(seed)
    body = blend(bodies[-HELD_OUT:] if seed % 10 == 0 else bodies[:-HELD_OUT], rng)
    table = UNSTEADY if unsteady else ROAMING if rng.random() < 0.25 else MOVEMENTS
    name = str(rng.choice(list(table)))
    kind = table[name]
    views = kind.views if rng.random() < (0.85 if unsteady else 0.65) else VIEWS[kind.lies]
    conditions = Conditions(
        clothes=str(rng.choice(["any", "any", "any", "plain", "dark"])), low_light=bool(rng.random() < 0.08),
        mat_like_clothes=bool(rng.random() < 0.1), roll_deg=12.0 if rng.random() < 0.2 else 3.0, size=SIZES[int(rng.integers(len(SIZES)))],
    )  # fmt: skip
    return plan(
        f"{name}-{seed}", name, body, seed, view=str(rng.choice(views)), conditions=conditions,
        fault_share=0.55 if unsteady else 0.4,
        table={name: lambda b, r: longer(widened(kind(b, r), r), fewest)},
    )  # fmt: skip


def compressed(picture: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """What the phone's encoder does to a picture, roughly."""
    quality = int(rng.integers(35, 92))
    _, data = cv2.imencode(".jpg", picture[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, quality])
    return np.ascontiguousarray(cv2.imdecode(data, cv2.IMREAD_COLOR)[..., ::-1])


class Shown:
    """The part of every picture that `analysis.observe` would show the pose model, and how small."""

    def __init__(self, p: Plan, times: Floats) -> None:
        joints = [p.world(np.array([posed.positions[s] for s in ENDS])) for posed in map(p.posed, times[::4])]
        boxes = [(px.min(0), px.max(0)) for px in map(p.camera.project, joints)]
        longer = [float((high - low).max()) for low, high in boxes]
        low, high = np.min([b[0] for b in boxes], 0), np.max([b[1] for b in boxes], 0)
        room = 0.28 * (high - low).max()  # of the ends; the landmarks reach as far as the toes
        size = (p.camera.width, p.camera.height)
        self.left, self.top = (max(0, int(v)) for v in low - room)
        self.right, self.bottom = (min(s, int(v) + 1) for s, v in zip(size, high + room, strict=True))
        self.halvings = max(0, int(np.log2(np.median(longer) / 300)))

    def picture(self, whole: np.ndarray) -> np.ndarray:
        return halved(whole[self.top : self.bottom, self.left : self.right], self.halvings)

    def placed(self, pose: Pose) -> Floats:
        return pose.px * 2**self.halvings + np.array([self.left, self.top])


_UNSEEN = Pose(np.full((COUNT, 2), np.nan), np.full((COUNT, 3), np.nan), np.full(COUNT, np.nan))


def observe_clip(
    bodies: list[Body], seed: int, follower: Follower, rate_hz: float, unsteady: bool
) -> dict[str, Floats]:
    """Landmarks and truth of one clip, (T, ...) arrays."""
    p = draw_plan(bodies, seed, unsteady)
    rng = np.random.default_rng(seed + 10**6)
    longest_s = rng.uniform(*(UNSTEADY_S if unsteady else LONGEST_S))
    times = np.arange(0, min(p.duration_s, longest_s), 1 / rate_hz)
    shown = Shown(p, times)
    rows: dict[str, list[Floats]] = {k: [] for k in ("px", "cm", "visibility", "angles", "directions")}
    for picture, posed in frames(p, times):
        image = shown.picture(compressed(picture, rng))
        if not rows["px"]:
            follower.forget(image)
        pose = follower.follow(image) or _UNSEEN
        rows["px"].append(shown.placed(pose))
        rows["cm"].append(pose.cm)
        rows["visibility"].append(pose.visibility)
        angles = [np.nan if posed.angles[s] is None else posed.angles[s] for s in SIGNALS]
        rows["angles"].append(np.array(angles, float))
        # legs by joint centres, not by skin
        axes = [posed.frames.get(s, posed.rotations[s])[:, 1] for s in SEGMENTS]
        rows["directions"].append(np.array(axes))
    out = {k: np.array(v, np.float32) for k, v in rows.items()}
    return out | {"time_s": times.astype(np.float32), "meta": _meta(p)}


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


Rows = dict[str, np.ndarray]
_BODIES: list[Body] = []
_FOLLOWERS: list[Follower] = []


def task(seed: int, bodies: Path, rate_hz: float, unsteady: bool) -> Rows | str:
    """One clip in a worker process, or what went wrong with it."""
    if not _BODIES:
        _BODIES.extend(load_bodies(bodies))
        _FOLLOWERS.append(Follower())
    try:
        return observe_clip(_BODIES, seed, _FOLLOWERS[0], rate_hz, unsteady)
    except Exception as error:  # one odd draw must not end a long run; it is counted
        return f"{seed}: {error!r}"


def build(task: Callable[[int], Rows | str], seeds: range, seconds: float) -> list[tuple[int, Rows]]:
    """What a task gives for each seed, over all cores, until a time limit [s]; it gives a text where it failed."""
    end, done, failed = time.time() + seconds, [], []
    cores = len(os.sched_getaffinity(0))
    waiting = iter(seeds)
    with ProcessPoolExecutor(cores) as pool:
        running = {pool.submit(task, s): s for s in islice(waiting, 2 * cores)}
        while running:
            for finished in wait(running, return_when=FIRST_COMPLETED).done:
                seed, result = running.pop(finished), finished.result()
                if isinstance(result, str):
                    failed.append(result)
                else:
                    done.append((seed, result))
                following = next(waiting, None) if time.time() < end else None
                if following is not None:
                    running[pool.submit(task, following)] = following
    print(f"{len(done)} clips, {len(failed)} failed", failed[:3], flush=True)
    return done


def save(path: Path, clips: list[dict[str, Floats]]) -> None:
    """All clips in one file; `clip` tells rows apart. Pixels in eighths, -32768 where nobody is seen."""
    out = {k: np.concatenate([c[k] for c in clips]) for k in clips[0] if k not in ("meta", "seed")}
    out |= {k: np.stack([c[k] for c in clips]) for k in ("meta", "seed")}
    out["clip"] = np.repeat(np.arange(len(clips), dtype=np.int32), [len(c["time_s"]) for c in clips])
    px = out["px"]
    out["px"] = np.where(np.isfinite(px), np.round(px * 8), -32768).astype(np.int16)
    for name in ("cm", "visibility", "angles", "directions"):
        out[name] = out[name].astype(np.float16)
    np.savez_compressed(path, **out)


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("out", type=Path)
    parser.add_argument("--bodies", type=Path, required=True)
    parser.add_argument("--clips", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--rate", type=float, default=3.0)
    parser.add_argument("--seconds", type=float, default=1e9)
    parser.add_argument("--unsteady", action="store_true", help="the pelvis goes astray in every way")
    a = parser.parse_args()
    seeds = range(a.seed, a.seed + a.clips)
    one = partial(task, bodies=a.bodies, rate_hz=a.rate, unsteady=a.unsteady)
    save(a.out, [rows | {"seed": np.int64(seed)} for seed, rows in build(one, seeds, a.seconds)])


if __name__ == "__main__":
    main()
