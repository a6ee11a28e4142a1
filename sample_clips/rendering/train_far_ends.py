"""Learns to read how the pelvis lies differently in two pictures.

    python -m sample_clips.rendering.train_far_ends DATA.npz ... --out analysis/models/far_ends.npz

Data from `sample_clips.rendering.far_ends`. Each network gives the change of tilt, obliquity and rotation from one
far end to another and how far each may be off, then the same from the still start to a far end: what the one
teaches helps the other.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import dataclass, fields
from pathlib import Path

import numpy as np
import torch
from torch import Tensor, nn
from torch.optim.swa_utils import AveragedModel, get_ema_multi_avg_fn

from analysis.far_ends.shift import Pair
from analysis.far_ends.turned import FAR_ENDS, LIKE_TRAINING, OUTPUT_DEG, START_AND_FAR_END, Between
from sample_clips.rendering.motions import MOVEMENTS
from sample_clips.rendering.train_cloth import save

WIDTH, DROP, BATCH, RATE, STEPS = 320, 0.15, 512, 1.5e-3, 45000
NOISE, DECAY, WARM_UP, AVERAGED = 0.05, 2e-2, 0.1, 0.998
LARGEST_STEP = 5.0
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
    """Features -> for each kind of pair 3 changes of angle and 3 logarithms of the error expected [deg]."""

    def __init__(self, inputs: int) -> None:
        super().__init__()
        self.layers = nn.Sequential(
            nn.Linear(inputs, WIDTH), nn.SiLU(), nn.Dropout(DROP), nn.Linear(WIDTH, WIDTH), nn.SiLU(), nn.Dropout(DROP),
            nn.Linear(WIDTH, WIDTH // 2), nn.SiLU(), nn.Linear(WIDTH // 2, 12),
        )  # fmt: skip

    def forward(self, x: Tensor, between: Between) -> tuple[Tensor, Tensor]:
        out = self.layers(x)[:, between.place :]
        return out[:, :3] * OUTPUT_DEG, out[:, 3:6]


@dataclass(frozen=True, eq=False)
class Rows:
    """Pairs of one kind: normalised features (N, F), changes (N, 3) [deg], exercises (N,)."""

    between: Between
    x: Tensor
    change: Tensor
    exercise: np.ndarray

    def until(self) -> Tensor:
        """For draws in which every exercise counts nearly alike (N,): sums of how often each row is drawn."""
        share = torch.as_tensor(1 / np.bincount(self.exercise)[self.exercise] ** 0.7).double()
        until = torch.cumsum(share, 0) / share.sum()
        until[-1] = 1.0
        return until.to(self.x.device)


def fit(kinds: list[Rows], seed: int, steps: int) -> Net:
    """One network from pairs of both kinds."""
    torch.manual_seed(seed)
    device = kinds[0].x.device
    order, signs, angle_signs = (torch.as_tensor(a, device=device) for a in (*mirror_map(), ANGLE_SIGNS))
    net = Net(kinds[0].x.shape[1]).to(device)
    until = [rows.until() for rows in kinds]
    optimiser = torch.optim.AdamW(net.parameters(), lr=RATE, weight_decay=DECAY)
    plan = torch.optim.lr_scheduler.OneCycleLR(optimiser, RATE, total_steps=steps, pct_start=WARM_UP)
    average = AveragedModel(net, multi_avg_fn=get_ema_multi_avg_fn(AVERAGED))
    start = time.time()
    for step in range(steps):
        loss = torch.zeros((), device=device)
        for rows, ends in zip(kinds, until, strict=True):
            batch = torch.searchsorted(ends, torch.rand(BATCH, device=device, dtype=ends.dtype))
            seen, wanted = rows.x[batch].float(), rows.change[batch]
            if step % 2:
                seen, wanted = seen[:, order] * signs, wanted * angle_signs
            loss = loss + loss_of(*net(seen + NOISE * torch.randn_like(seen), rows.between), wanted)
        optimiser.zero_grad()
        loss.backward()
        nn.utils.clip_grad_norm_(net.parameters(), LARGEST_STEP)
        optimiser.step()
        plan.step()
        average.update_parameters(net)
        if step % 1000 == 999:
            print(f"network {seed}, step {step + 1} of {steps}, {time.time() - start:.0f} s", flush=True)
    return average.module.eval().cpu()


def loss_of(got: Tensor, log_error: Tensor, wanted: Tensor) -> Tensor:
    """Of the changes and of the errors told."""
    error = (got - wanted).abs()
    expected = (error.detach() / log_error.exp() + log_error).mean()
    return (error * (1 + wanted.abs() / 8)).mean() + 0.15 * expected


def show(nets: list[Net], rows: Rows) -> None:
    """By exercise and angle: slope, errors where the pictures differ by 5 deg and more and elsewhere."""
    with torch.no_grad():
        outs = [n(rows.x.float(), rows.between) for n in nets]
    got = torch.stack([o[0] for o in outs]).mean(0).numpy()
    told = torch.stack([o[1].exp() for o in outs]).mean(0).numpy()
    for number, name in enumerate(MOVEMENTS):
        of_exercise = rows.exercise == number
        for axis, signal in enumerate(("tilt", "obliquity", "rotation")):
            true, read = rows.change.numpy()[of_exercise, axis], got[of_exercise, axis]
            far, sure = np.abs(true) >= 5, told[of_exercise, axis]
            if not far.any() or far.all():
                continue
            slope = (true * read)[far].sum() / (true[far] ** 2).sum()
            off = np.abs(read - true)
            print(f"{name:20s} {signal:10s} differ {far.sum():5d}: slope {slope:5.2f}, off {off[far].mean():4.1f}, "
                  f"told {sure[far].mean():4.1f} deg; else off {off[~far].mean():4.1f} "
                  f"(95 % {np.quantile(off[~far], 0.95):4.1f}), told {sure[~far].mean():4.1f} deg")  # fmt: skip


def spread(x: np.ndarray) -> np.ndarray:
    """Size of every feature (F,), the same in a mirror; nothing moved stays nothing, so no mean is taken off."""
    order, _ = mirror_map()
    square = np.square(x[::3].astype(np.float32)).mean(0)
    return np.maximum(np.sqrt((square + square[order]) / 2), 0.02)


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("data", type=Path, nargs="+")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--members", type=int, default=2)
    parser.add_argument("--first", type=int, default=0, help="seed of the first network")
    parser.add_argument("--steps", type=int, default=STEPS)
    a = parser.parse_args()
    parts = [np.load(path) for path in a.data]
    x, change, seed, exercise, ends = (
        np.concatenate([d[k] for d in parts]) for k in ("x", "change", "seed", "exercise", "ij")
    )
    held, start = seed % 10 == 0, ends[:, 0] == 0
    std = np.sqrt(spread(x[~held & start]) * spread(x[~held & ~start]))
    device = "cuda" if torch.cuda.is_available() else "cpu"

    def chosen(between: Between, wanted: np.ndarray, where: str) -> Rows:
        normal = np.clip(x[wanted] / std, -LIKE_TRAINING, LIKE_TRAINING).astype(np.float16)
        tensors = torch.as_tensor(normal, device=where), torch.as_tensor(change[wanted], device=where)
        return Rows(between, *tensors, exercise[wanted])

    kinds = [(FAR_ENDS, ~start), (START_AND_FAR_END, start)]
    learned = [chosen(between, kind & ~held, device) for between, kind in kinds]
    nets: list[Net] = []
    for number in range(a.first, a.first + a.members):
        nets.append(fit(learned, number, a.steps))
        save(a.out, nets, torch.zeros(len(std)), torch.as_tensor(std))
    for between, kind in kinds:
        show(nets, chosen(between, kind & held, "cpu"))


if __name__ == "__main__":
    main()
