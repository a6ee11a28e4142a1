"""Pictures of the far ends of repetitions, two and two: what reads a pelvis that turns in one of them.

    python -m sample_clips.rendering.far_ends OUT --bodies BODIES.npz --clips 500 --seed 1

Only the far ends are drawn, and one picture of the still start, so that a clip takes about a second.
"""

from __future__ import annotations

import argparse
import os
from collections.abc import Iterator
from functools import partial
from pathlib import Path

import cv2
import numpy as np
from scipy.spatial.transform import Rotation

from analysis import exercises
from analysis.conventions import PELVIC_SIGNALS
from analysis.exercises.schema import PELVIS_FINDINGS
from analysis.far_ends.ends import OUTWARD
from analysis.far_ends.pair import End, Pair, pair
from analysis.far_ends.window import Image, window
from analysis.landmarks import Follower
from analysis.skeleton.features import picture_scale
from sample_clips.rendering.body import Body, Floats, load_bodies
from sample_clips.rendering.clip import Plan, frames
from sample_clips.rendering.dataset import Rows, Shown, build, compressed, draw_plan
from sample_clips.rendering.motions import MOVEMENTS
from sample_clips.rendering.movement import Rep

FEWEST, MOST, MOST_PAIRS = 4, 6, 8
JUDGED = {name for name in MOVEMENTS if PELVIS_FINDINGS.keys() & exercises.load(name).limits.keys()}
STILL_S, JITTER_S = (0.1, 0.7), 0.15
UNSTEADY_SHARE = 0.75
CAMERA_DEG = 4.0


def _far_time(rep: Rep, rng: np.random.Generator) -> float:
    """A moment of the hold, as well as the walk finds it."""
    return float(rep.start + rep.out_s + rng.uniform(0, rep.hold_s) + rng.uniform(-JITTER_S, JITTER_S))


def pairs_of(bodies: list[Body], seed: int, follower: Follower) -> Rows:
    """Rows of all pairs of one clip: features, what moved, landmarks, change of the pelvis (n, 3) [deg]."""
    rng = np.random.default_rng(seed + 10**6)
    p = draw_plan(bodies, seed, bool(rng.random() < UNSTEADY_SHARE), FEWEST)
    if p.movement.name not in JUDGED:
        raise ValueError("its pelvis is not judged")
    reps = p.reps[:MOST]
    times = np.array([rng.uniform(*STILL_S), *(_far_time(r, rng) for r in reps)])
    shown, ends, angles, pictures = Shown(p, np.repeat(times, 4)), [], [], []
    for picture, posed in frames(p, times):
        whole = compressed(picture, rng)
        image = shown.picture(whole)
        if not ends:
            follower.forget(image)
        pose = follower.follow(image)
        if pose is None:
            raise ValueError("nobody seen")
        ends.append((shown.placed(pose), pose.cm, pose.visibility))
        pictures.append(whole)
        angles.append([posed.angles[s] for s in PELVIC_SIGNALS])
    rows = list(_told(p, reps, ends, pictures, rng))
    change = [np.subtract(angles[j], angles[i]) for i, j, _ in rows]
    return {
        "x": np.array([q.features() for _, _, q in rows], np.float16),
        "moved": np.array([q.moved for _, _, q in rows], np.float16),
        "place": np.array([q.place for _, _, q in rows], np.float32),
        "change": np.array(change, np.float32),
        "ij": np.array([(i, j) for i, j, _ in rows], np.int8),
        "seed": np.full(len(rows), seed),
        "exercise": np.full(len(rows), list(MOVEMENTS).index(p.movement.name), np.int8),
    }


def _told(
    p: Plan,
    reps: list[Rep],
    seen: list[tuple[Floats, Floats, Floats]],
    pictures: list[Image],
    rng: np.random.Generator,
) -> Iterator[tuple[int, int, Pair]]:
    """All pairs by their numbers: two far ends of a side, and the still start, which is 0, with every far end."""
    px = np.array([s[0] for s in seen])
    scale = picture_scale(np.concatenate([np.repeat(px[:1], len(reps), axis=0), px[1:]]))
    turned = Rotation.from_rotvec(np.radians(rng.normal(0, CAMERA_DEG, 3))).as_matrix()
    camera = p.camera.axes() @ p.frame @ turned
    for side in {r.side for r in reps}:
        group = [k + 1 for k, r in enumerate(reps) if r.side == side]
        both = [
            (i, j)
            for n in rng.permutation(len(group) ** 2)[:MOST_PAIRS]
            if (i := group[n // len(group)]) != (j := group[n % len(group)])
        ]
        for anchor, wanted in ((group, both), ([0], [(0, k) for k in group])):
            at = window(px[anchor], scale)
            if at is None:
                continue
            ends = {k: End(at.cut(pictures[k]), *seen[k]) for k in {0, *group}}
            for i, j in wanted:
                yield i, j, pair(ends[i], ends[j], at, camera, OUTWARD[side])


_BODIES: list[Body] = []
_FOLLOWERS: list[Follower] = []


def task(seed: int, bodies: Path, gpus: int) -> Rows | str:
    """One clip in a worker process, or what went wrong with it."""
    if not _BODIES:
        cv2.setNumThreads(1)
        if gpus > 1:
            os.environ["GLCONTEXT_DEVICE_INDEX"] = str(os.getpid() % gpus)
        _BODIES.extend(load_bodies(bodies))
        _FOLLOWERS.append(Follower())
    try:
        return pairs_of(_BODIES, seed, _FOLLOWERS[0])
    except Exception as error:  # one odd draw must not end a long run; it is counted
        return f"{seed}: {error!r}"


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("out", type=Path)
    parser.add_argument("--bodies", type=Path, required=True)
    parser.add_argument("--clips", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--seconds", type=float, default=1e9)
    parser.add_argument("--gpus", type=int, default=1, help="that draw, each for some of the processes")
    a = parser.parse_args()
    drawn = build(partial(task, bodies=a.bodies, gpus=a.gpus), range(a.seed, a.seed + a.clips), a.seconds)
    save(a.out / str(a.seed), [rows for _, rows in drawn if len(rows["seed"])])


def save(path: Path, clips: list[Rows]) -> None:
    """A file for each kind of rows, as they are: what moved is some gigabytes, and read in pieces."""
    path.mkdir(parents=True, exist_ok=True)
    for name in clips[0]:
        np.save(path / f"{name}.npy", np.concatenate([c[name] for c in clips]))


if __name__ == "__main__":
    main()
