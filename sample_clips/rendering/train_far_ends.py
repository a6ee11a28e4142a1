"""Learns to read how the pelvis lies differently at the far ends of two repetitions.

    python -m sample_clips.rendering.train_far_ends DATA.npz ... --between far_ends --out analysis/models/far_ends.npz

Data from `sample_clips.rendering.far_ends`. Each network gives the change of tilt, obliquity and rotation from
one picture to the other, and how far each may be off.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import fields
from pathlib import Path
from typing import get_args

import numpy as np
import torch
from torch import Tensor, nn

from analysis.far_ends.shift import Pair
from analysis.far_ends.turned import LIKE_TRAINING, OUTPUT_DEG, Between
from sample_clips.rendering.motions import MOVEMENTS
from sample_clips.rendering.train_cloth import save

WIDTH, DROP, BATCH, RATE, STEPS = 320, 0.15, 768, 1.5e-3, 9000
NOISE = 0.05
ANGLE_SIGNS = np.array([1.0, -1.0, -1.0], np.float32)
SHAPES = {"moved": (14, 10, 4), "place": (19, 2), "visibility": (19,), "shift": (19, 2), "shift_cm": (19, 3),
          "camera": (3, 3)}  # fmt: skip


def mirror_map() -> tuple[np.ndarray, np.ndarray]:
    """Where each feature comes from in a mirror, and its sign: told by a pair made of numbers."""
    sizes = [int(np.prod(SHAPES[f.name])) for f in fields(Pair) if f.name in SHAPES]
    number = iter(np.split(np.arange(1.0, sum(sizes) + 2), np.cumsum(sizes)))
    parts = {k: next(number).reshape(shape) for k, shape in SHAPES.items()}
    numbered = Pair(**parts, side=float(next(number)[0]))
    ones = Pair(**{k: np.ones(s) for k, s in SHAPES.items()}, side=1.0).features()
    own, other = numbered.features() / ones, numbered.mirrored().features() / ones
    place = {round(v): i for i, v in enumerate(own)}
    return np.array([place[round(abs(v))] for v in other]), np.sign(other).astype(np.float32)


class Net(nn.Module):
    """Features -> 3 changes of angle, 3 logarithms of the error expected [deg]."""

    def __init__(self, inputs: int) -> None:
        super().__init__()
        self.layers = nn.Sequential(
            nn.Linear(inputs, WIDTH), nn.SiLU(), nn.Dropout(DROP), nn.Linear(WIDTH, WIDTH), nn.SiLU(), nn.Dropout(DROP),
            nn.Linear(WIDTH, WIDTH // 2), nn.SiLU(), nn.Linear(WIDTH // 2, 6),
        )  # fmt: skip

    def forward(self, x: Tensor) -> tuple[Tensor, Tensor]:
        out = self.layers(x)
        return out[:, :3] * OUTPUT_DEG, out[:, 3:]


def fit(x: Tensor, change: Tensor, share: Tensor, seed: int, steps: int) -> Net:
    """One network from normalised features (N, F) and changes (N, 3) [deg]; share (N,): how often each is drawn."""
    torch.manual_seed(seed)
    order, signs = (torch.as_tensor(a) for a in mirror_map())
    angle_signs = torch.as_tensor(ANGLE_SIGNS)
    device = x.device
    order, signs, angle_signs = order.to(device), signs.to(device), angle_signs.to(device)
    net = Net(x.shape[1]).to(device)
    until = torch.cumsum(share.double(), 0) / share.sum()
    until[-1] = 1.0
    optimiser = torch.optim.AdamW(net.parameters(), lr=RATE, weight_decay=1e-2)
    plan = torch.optim.lr_scheduler.OneCycleLR(optimiser, RATE, total_steps=steps)
    start = time.time()
    for step in range(steps):
        batch = torch.searchsorted(until, torch.rand(BATCH, device=device, dtype=until.dtype))
        seen, wanted = x[batch].float(), change[batch]
        if step % 2:
            seen, wanted = seen[:, order] * signs, wanted * angle_signs
        got, log_error = net(seen + NOISE * torch.randn_like(seen))
        error = (got - wanted).abs()
        expected = (error.detach() / log_error.exp() + log_error).mean()
        loss = (error * (1 + wanted.abs() / 8)).mean() + 0.15 * expected
        optimiser.zero_grad()
        loss.backward()
        optimiser.step()
        plan.step()
        if step % 1000 == 999:
            print(f"network {seed}, step {step + 1} of {steps}, {time.time() - start:.0f} s", flush=True)
    return net.eval().cpu()


def show(nets: list[Net], x: Tensor, change: np.ndarray, exercise: np.ndarray) -> None:
    """By exercise and angle: slope, errors where the far ends differ by 5 deg and more and elsewhere."""
    with torch.no_grad():
        outs = [n(x.float()) for n in nets]
    got = torch.stack([o[0] for o in outs]).mean(0).numpy()
    told = torch.stack([o[1].exp() for o in outs]).mean(0).numpy()
    for number, name in enumerate(MOVEMENTS):
        rows = exercise == number
        for axis, signal in enumerate(("tilt", "obliquity", "rotation")):
            true, read = change[rows, axis], got[rows, axis]
            far = np.abs(true) >= 5
            if not far.any():
                continue
            slope = (true * read)[far].sum() / (true[far] ** 2).sum()
            off = np.abs(read - true)
            print(f"{name:20s} {signal:10s} differ {far.sum():5d}: slope {slope:5.2f}, off {off[far].mean():4.1f}, "
                  f"told {told[rows, axis][far].mean():4.1f} deg; else off {off[~far].mean():4.1f} "
                  f"(95 % {np.quantile(off[~far], 0.95):4.1f}), told {told[rows, axis][~far].mean():4.1f} deg")  # fmt: skip


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("data", type=Path, nargs="+")
    parser.add_argument("--between", choices=get_args(Between), required=True)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--members", type=int, default=4)
    parser.add_argument("--steps", type=int, default=STEPS)
    a = parser.parse_args()
    parts = [np.load(path) for path in a.data]
    x, change, seed, exercise, first = (
        np.concatenate([d[k] for d in parts]) for k in ("x", "change", "seed", "exercise", "ij")
    )
    wanted = (first[:, 0] == 0) == (a.between == "start_and_far_end")
    x, change, exercise, held = x[wanted], change[wanted], exercise[wanted], seed[wanted] % 10 == 0
    std = spread(x[~held])
    normal = torch.as_tensor(np.clip(x / std, -LIKE_TRAINING, LIKE_TRAINING).astype(np.float16))
    device = "cuda" if torch.cuda.is_available() else "cpu"
    learned = (
        normal[~held].to(device),
        torch.as_tensor(change[~held], device=device),
        alike(exercise[~held]).to(device),
    )
    nets: list[Net] = []
    for number in range(a.members):
        nets.append(fit(*learned, number, a.steps))
        save(a.out, nets, torch.zeros(len(std)), torch.as_tensor(std))
    show(nets, normal[held], change[held], exercise[held])


def alike(exercise: np.ndarray) -> Tensor:
    """How often each row is drawn (N,), so that every exercise counts nearly alike."""
    return torch.as_tensor(1 / np.bincount(exercise)[exercise] ** 0.7)


def spread(x: np.ndarray) -> np.ndarray:
    """Size of every feature (F,), the same in a mirror; a change of nothing stays nothing, so no mean is taken off."""
    order, _ = mirror_map()
    square = np.square(x[::3].astype(np.float32)).mean(0)
    return np.maximum(np.sqrt((square + square[order]) / 2), 0.02)


if __name__ == "__main__":
    main()
