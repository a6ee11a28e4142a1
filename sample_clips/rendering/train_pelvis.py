"""Learns to read the pelvis from how each moment of a clip differs from the others.

    python -m sample_clips.rendering.train_pelvis DATA.npz ... --unsteady DATA.npz ... --out analysis/models/pelvis.npz

Data from `sample_clips.rendering.dataset --rate 5`, as it is and with `--unsteady`. Each network gives tilt,
obliquity and rotation since the still start, and how far each may be off.
"""

from __future__ import annotations

import argparse
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from itertools import chain
from pathlib import Path

import numpy as np
import torch
from torch import Tensor, nn

from analysis.pelvis import compared
from analysis.pelvis.landmarks import LIKE_TRAINING, OUTPUT_DEG
from analysis.skeleton.features import LIES, mirror, start_frames
from sample_clips.rendering.dataset import SIGNALS
from sample_clips.rendering.motions import MOVEMENTS
from sample_clips.rendering.train import Net, descend, save

USUAL, UNSTEADY, MOMENTS = 32, 48, 32  # clips of each kind in a batch, moments of each
WIDTH, STEPS = 256, 9000
CLIP_FEATURES = 19 * 6 + 30 + 3 + 3  # the last ones, the same in all moments
NOISE, CLIP_NOISE = 0.05, 0.3
UNLIKE, UNLIKE_NOISE = 19 * 5, 0.01  # the first features, a few pixels of which are all there is to see
DROP = 0.05
LARGE_DEG, OUTLIER_DEG = 3.0, 5.0  # a large turn counts more; errors beyond the other one count linearly
ANGLE_SIGNS = np.array([1.0, -1.0, -1.0], np.float32)


@dataclass(frozen=True, eq=False)
class Clip:
    """Features (G, F) and pelvic angles since the start (G, 3) [deg] of a clip."""

    features: np.ndarray
    angles: np.ndarray
    held_out: bool
    exercise: int


def clips_of(path: Path) -> list[Clip]:
    """The clips of a file, each as it is and in a mirror."""
    with np.load(path) as f:
        d = {k: f[k] for k in f.files}
    found = [clip_of(d, i, flip) for i in range(len(d["meta"])) for flip in (False, True)]
    return [clip for clip in found if clip is not None]


def clip_of(d: dict[str, np.ndarray], i: int, flip: bool) -> Clip | None:
    """One clip; None where the pose model saw too little of it."""
    rows, meta = d["clip"] == i, d["meta"][i]
    px = d["px"][rows].astype(float) / 8
    px[d["px"][rows] == -32768] = np.nan
    cm, seen, times = (d[k][rows].astype(float) for k in ("cm", "visibility", "time_s"))
    angles = d["angles"][rows][:, :3].astype(np.float32)
    if flip:
        px, cm, seen = mirror(px, cm, seen, int(meta[0]))
        angles = angles * ANGLE_SIGNS
    at, x = compared.describe(times, px, cm, seen, LIES[int(meta[15])], (int(meta[0]), int(meta[1])))
    known = np.isfinite(x).all(axis=1)
    if known.mean() < 0.6:
        return None
    angles = np.stack([np.interp(at, times, column) for column in angles.T], axis=1)
    angles -= np.median(angles[start_frames(at)], axis=0)
    return Clip(
        x[known].astype(np.float32), angles[known].astype(np.float32), d["seed"][i] % 10 == 0, int(meta[16])
    )


class Stack:
    """All clips one after the other; `draw` gives some moments of some clips."""

    def __init__(self, clips: list[Clip], mean: np.ndarray, std: np.ndarray, device: str) -> None:
        lengths = [len(c.features) for c in clips]
        self.count = torch.tensor(lengths, device=device)
        self.start = torch.tensor(np.cumsum([0, *lengths[:-1]]), device=device)
        self.x = torch.as_tensor(np.concatenate([normal(c, mean, std) for c in clips]), device=device)
        self.angles = torch.as_tensor(np.concatenate([c.angles for c in clips]), device=device)

    def draw(self, count: int) -> tuple[Tensor, Tensor]:
        """Features and angles (count, MOMENTS, ...)."""
        clip = torch.randint(len(self.count), (count, 1), device=self.x.device)
        share = torch.rand(count, MOMENTS, device=self.x.device)
        rows = self.start[clip] + (share * self.count[clip]).long()
        return self.x[rows], self.angles[rows]


def normal(clip: Clip, mean: np.ndarray, std: np.ndarray) -> np.ndarray:
    """Features (G, F) as the networks see them."""
    return np.clip((clip.features - mean) / std, -LIKE_TRAINING, LIKE_TRAINING)


def fit(usual: Stack, unsteady: Stack, seed: int, steps: int) -> Net:
    """One network from clips of both kinds."""
    torch.manual_seed(seed)
    net = Net(usual.x.shape[1], 6, WIDTH, DROP, first_drop=0.0).to(usual.x.device)

    def loss_now() -> Tensor:
        drawn = usual.draw(USUAL), unsteady.draw(UNSTEADY)
        return loss_of(net, *(torch.cat(both) for both in zip(*drawn, strict=True)))

    return descend(net, loss_now, seed, steps)


def loss_of(net: Net, x: Tensor, angles: Tensor) -> Tensor:
    """Of the angles, of their change between two moments of a clip, and of the errors told."""
    noise = NOISE * torch.randn_like(x)
    noise[..., :UNLIKE] *= UNLIKE_NOISE / NOISE
    noise[..., -CLIP_FEATURES:] = CLIP_NOISE * torch.randn(len(x), 1, CLIP_FEATURES, device=x.device)
    out = net(x + noise)
    error, log_error = OUTPUT_DEG * out[..., :3] - angles, out[..., 3:]
    beyond = nn.functional.smooth_l1_loss(error, torch.zeros_like(error), beta=OUTLIER_DEG, reduction="none")
    change = (error - torch.roll(error, 1, 1)).abs().mean()
    told = (error.abs().detach() / log_error.exp() + log_error).mean()
    return 2 * (beyond * (1 + angles.abs() / LARGE_DEG)).mean() + 0.3 * change + 0.15 * told


def show(nets: list[Net], clips: list[Clip], mean: np.ndarray, std: np.ndarray) -> None:
    """Errors where the pelvis is astray by 5 deg and more, and elsewhere, by exercise and angle."""
    for number, name in enumerate(MOVEMENTS):
        of_exercise = [c for c in clips if c.exercise == number]
        if not of_exercise:
            continue
        with torch.no_grad():
            got = [np.mean([OUTPUT_DEG * n(torch.as_tensor(normal(c, mean, std))[None])[0, :, :3].numpy() for n in nets], axis=0)
                   for c in of_exercise]  # fmt: skip
        true, told = np.concatenate([c.angles for c in of_exercise]), np.concatenate(got)
        for axis, signal in enumerate(SIGNALS[:3]):
            far = np.abs(true[:, axis]) > 5
            off = np.abs(told - true)[:, axis]
            slope = (true * told)[far, axis].sum() / max((true[far, axis] ** 2).sum(), 1e-9)
            print(f"{name:20s} {signal:17s} astray {far.sum():5d}: slope {slope:5.2f}, off "
                  f"{off[far].mean():4.1f} deg; else {off[~far].mean():4.1f} deg")  # fmt: skip


def load(paths: list[Path]) -> list[Clip]:
    """Clips of all files."""
    with ProcessPoolExecutor() as pool:
        return list(chain.from_iterable(pool.map(clips_of, paths)))


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("data", type=Path, nargs="+")
    parser.add_argument("--unsteady", type=Path, nargs="+", required=True)
    parser.add_argument("--out", type=Path)
    parser.add_argument("--members", type=int, default=4)
    parser.add_argument("--steps", type=int, default=STEPS)
    a = parser.parse_args()
    usual, unsteady = load(a.data), load(a.unsteady)
    learned = [[c for c in clips if not c.held_out] for clips in (usual, unsteady)]
    every = np.concatenate([c.features for c in chain(*learned)])
    mean, std = every.mean(0), np.maximum(every.std(0), 0.02)
    del every
    device = "cuda" if torch.cuda.is_available() else "cpu"
    stacks = [Stack(clips, mean, std, device) for clips in learned]
    nets = []
    for seed in range(a.members):
        nets.append(fit(*stacks, seed, a.steps))
        if a.out:
            save(a.out, nets, mean, std)
    show(nets, [c for c in chain(usual, unsteady) if c.held_out], mean, std)


if __name__ == "__main__":
    main()
