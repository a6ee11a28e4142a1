"""Learns to read how the pelvis lies differently in two pictures.

    python -m sample_clips.rendering.train_far_ends FOLDER ... --out analysis/models/far_ends.npz

Folders from `sample_clips.rendering.far_ends`. Each network gives the change of tilt, obliquity and rotation from
one far end to another and how far each may be off, then the same from the still start to a far end: what the one
teaches helps the other. 200,000 pairs take 5 minutes a network on a large GPU.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor, nn
from torch.optim.swa_utils import AveragedModel, get_ema_multi_avg_fn

from analysis.far_ends.pair import LINES, MOST_MOVED, PER_CELL, PER_PLACE, THICK, USUAL_TEXTURE, Pair
from analysis.far_ends.turned import FAR_ENDS, LIKE_TRAINING, OUTPUT_DEG, START_AND_FAR_END, Between
from analysis.far_ends.window import CELLS, centres
from analysis.skeleton.features import MIRRORED, USED
from sample_clips.rendering.motions import MOVEMENTS

# Channels, size and stride of the convolutions.
CONVOLUTIONS = ((48, 5, 2), (96, 3, 2), (96, 3, 1), (144, 3, 2), (32, 1, 1))
CHANNELS, SEEN, WIDTH, DROP = 10, 128, 320, 0.15
BATCH, RATE, STEPS = 512, 1.5e-3, 25000
NOISE, SHIFT_NOISE, DECAY, WARM_UP, AVERAGED, LARGEST_STEP = 0.05, 3e-4, 2e-2, 0.1, 0.998, 5.0
ANGLE_SIGNS = np.array([1.0, -1.0, -1.0], np.float32)
MOVED_SIGNS = np.array([1.0, -1.0, 1.0, 1.0], np.float32)
BLOCKS = (14, 10)
SHAPES = {
    "blocks": (*BLOCKS, 4),
    "place": (19, 2),
    "visibility": (19,),
    "shift": (19, 2),
    "shift_cm": (19, 3),
    "camera": (3, 3),
}
PIECE = 2000


def mirror_map() -> tuple[np.ndarray, np.ndarray]:
    """Where each feature comes from in a mirror, and its sign: told by a pair made of numbers."""
    sizes = [int(np.prod(shape)) for shape in SHAPES.values()]
    number = iter(np.split(np.arange(1.0, sum(sizes) + 2), np.cumsum(sizes)))
    parts = {k: next(number).reshape(shape) for k, shape in SHAPES.items()}
    blocks = np.ones((CELLS[0] // BLOCKS[0], CELLS[1] // BLOCKS[1], 1))
    numbered = Pair(moved=np.kron(parts.pop("blocks"), blocks), **parts, side=float(next(number)[0]))
    ones = Pair(np.ones((*CELLS, 4)), *(np.ones(s) for s in list(SHAPES.values())[1:]), side=1.0).features()
    own, other = numbered.features() / ones, numbered.mirrored().features() / ones
    place = {round(v): i for i, v in enumerate(own)}
    return np.array([place[round(abs(v))] for v in other]), np.sign(other).astype(np.float32)


class Net(nn.Module):
    """Pictures and features -> for each kind of pair 3 changes and 3 logarithms of the error expected [deg]."""

    def __init__(self, inputs: int) -> None:
        super().__init__()
        channels = [CHANNELS, *(c for c, *_ in CONVOLUTIONS)]
        self.convolutions = nn.ModuleList(
            nn.Conv2d(before, c, size, stride, size // 2)
            for before, (c, size, stride) in zip(channels, CONVOLUTIONS, strict=False)
        )
        last = [CELLS[0], CELLS[1]]
        for _, _, stride in CONVOLUTIONS:
            last = [-(-n // stride) for n in last]
        self.drop, self.describe = nn.Dropout(DROP), nn.Linear(channels[-1] * last[0] * last[1], SEEN)
        self.head = nn.Sequential(
            nn.Linear(inputs + SEEN, WIDTH), nn.SiLU(), nn.Dropout(DROP), nn.Linear(WIDTH, WIDTH), nn.SiLU(),
            nn.Dropout(DROP), nn.Linear(WIDTH, WIDTH // 2), nn.SiLU(), nn.Linear(WIDTH // 2, 12),
        )  # fmt: skip

    def forward(self, pictures: Tensor, x: Tensor) -> Tensor:
        for convolution in self.convolutions:
            pictures = nn.functional.silu(convolution(pictures))
        seen = nn.functional.silu(self.describe(self.drop(pictures.flatten(1))))
        return self.head(torch.cat([x, seen], 1)).float()


def split(out: Tensor, between: Between) -> tuple[Tensor, Tensor]:
    """Changes and logarithms of errors for one kind of pair."""
    told = out[:, between.place :]
    return told[:, :3] * OUTPUT_DEG, told[:, 3:6]


class Pictures:
    """`Pair.picture` for many pairs at once, on one device."""

    def __init__(self, device: str) -> None:
        self.cells = torch.as_tensor(centres(), dtype=torch.float32, device=device)

    def __call__(self, moved: Tensor, place: Tensor) -> Tensor:
        shift = (PER_CELL * moved[..., :2]).clamp(-MOST_MOVED, MOST_MOVED)
        ends = [[place[:, [USED.index(k) for k in end]].mean(1) for end in line] for line in LINES]
        limbs = torch.stack([self._nearness(a, b) for a, b in ends], -1)
        where = (PER_PLACE * self.cells).expand(len(moved), -1, -1, -1)
        parts = [shift, moved[..., 2:3], moved[..., 3:] - USUAL_TEXTURE, where, limbs]
        return torch.cat(parts, -1).permute(0, 3, 1, 2).contiguous(memory_format=torch.channels_last)

    def _nearness(self, first: Tensor, second: Tensor) -> Tensor:
        way, off = (second - first)[:, None, None], self.cells - first[:, None, None]
        share = ((off * way).sum(-1) / (way * way).sum(-1).clamp_min(1e-6)).clamp(0, 1)
        return torch.exp(-(((off - share[..., None] * way) ** 2).sum(-1)) / THICK**2)


@dataclass(frozen=True, eq=False)
class Rows:
    """Pairs: normalised features (N, F), what moved (N, 84, 60, 4), places of landmarks (N, 19, 2), changes
    (N, 3) [deg], exercises (N,), and clips with the numbers of both pictures (N, 3), of which 0 is the still start."""

    x: Tensor
    moved: Tensor
    place: Tensor
    change: Tensor
    exercise: NDArray[np.int64]
    clip_ends: NDArray[np.int64]

    @property
    def start(self) -> NDArray[np.bool_]:
        return self.clip_ends[:, 1] == 0


def loss_of(got: Tensor, log_error: Tensor, wanted: Tensor) -> Tensor:
    """Of the changes and of the errors told."""
    error = (got - wanted).abs()
    expected = (error.detach() / log_error.exp() + log_error).mean()
    return (error * (1 + wanted.abs() / 8)).mean() + 0.15 * expected


@dataclass(frozen=True, eq=False)
class Batches:
    """Draws as many pairs of each kind, in which every exercise counts nearly alike; half of them mirrored."""

    rows: Rows
    until: tuple[Tensor, Tensor]
    of_kind: tuple[Tensor, Tensor]

    @classmethod
    def of(cls, rows: Rows) -> Batches:
        device = rows.x.device
        kinds, sums = [], []
        for start in (False, True):
            own = np.flatnonzero(rows.start == start)
            count = np.bincount(rows.exercise[own])
            share = torch.as_tensor(1 / count[rows.exercise[own]] ** 0.7).double()
            until = torch.cumsum(share, 0) / share.sum()
            until[-1] = 1.0
            kinds.append(torch.as_tensor(own, device=device))
            sums.append(until.to(device))
        return cls(rows, (sums[0], sums[1]), (kinds[0], kinds[1]))

    def draw(self) -> Tensor:
        """Numbers of rows: BATCH of far ends, then BATCH with the still start."""
        drawn = []
        for rows, until in zip(self.of_kind, self.until, strict=True):
            at = torch.rand(BATCH, device=until.device, dtype=until.dtype)
            drawn.append(rows[torch.searchsorted(until, at)])
        return torch.cat(drawn)


class Mirror:
    """The same pairs in a mirror."""

    def __init__(self, device: str) -> None:
        order, signs = mirror_map()
        self.order, self.signs = torch.as_tensor(order, device=device), torch.as_tensor(signs, device=device)
        self.moved = torch.as_tensor(MOVED_SIGNS, device=device)
        self.angles = torch.as_tensor(ANGLE_SIGNS, device=device)
        self.landmarks = [USED.index(k) for k in MIRRORED]
        self.across = torch.tensor([1.0, -1.0], device=device)

    def __call__(self, x: Tensor, moved: Tensor, place: Tensor, change: Tensor) -> tuple[Tensor, ...]:
        turned = moved.flip(2) * self.moved, place[:, self.landmarks] * self.across
        return x[:, self.order] * self.signs, *turned, change * self.angles


def fit(rows: Rows, seed: int, steps: int) -> Net:
    """One network from pairs of both kinds."""
    torch.manual_seed(seed)
    device = rows.x.device.type
    net = Net(rows.x.shape[1]).to(device, memory_format=torch.channels_last)
    batches, mirror, pictures = Batches.of(rows), Mirror(device), Pictures(device)
    optimiser = torch.optim.AdamW(net.parameters(), lr=RATE, weight_decay=DECAY)
    plan = torch.optim.lr_scheduler.OneCycleLR(optimiser, RATE, total_steps=steps, pct_start=WARM_UP)
    average = AveragedModel(net, multi_avg_fn=get_ema_multi_avg_fn(AVERAGED))
    start = time.time()
    for step in range(steps):
        at = batches.draw()
        seen = rows.x[at].float(), rows.moved[at].float(), rows.place[at], rows.change[at]
        x, moved, place, change = mirror(*seen) if step % 2 else seen
        moved = moved + SHIFT_NOISE * torch.randn_like(moved) * torch.tensor([1.0, 1, 0, 0], device=device)
        with torch.autocast(device, torch.bfloat16, enabled=device == "cuda"):
            out = net(pictures(moved, place), x + NOISE * torch.randn_like(x))
        loss = loss_of(*split(out[:BATCH], FAR_ENDS), change[:BATCH])
        loss = loss + loss_of(*split(out[BATCH:], START_AND_FAR_END), change[BATCH:])
        optimiser.zero_grad()
        loss.backward()
        nn.utils.clip_grad_norm_(net.parameters(), LARGEST_STEP)
        optimiser.step()
        plan.step()
        average.update_parameters(net)
        if step % 1000 == 999:
            print(f"network {seed}, step {step + 1} of {steps}, {time.time() - start:.0f} s", flush=True)
    return average.module.eval()


def show(nets: list[Net], rows: Rows) -> NDArray[np.float32]:
    """By exercise and angle: slope, errors where the pictures differ by 5 deg and more and elsewhere. Returns
    what was told (M, N, 12)."""
    pictures = Pictures(rows.x.device.type)
    pieces = torch.arange(len(rows.x)).split(PIECE)
    with torch.no_grad():
        outs = np.stack([
            np.concatenate([
                n(pictures(rows.moved[p].float(), rows.place[p]), rows.x[p].float()).cpu().numpy() for p in pieces
            ]) for n in nets
        ])  # fmt: skip
    for between, start in ((FAR_ENDS, False), (START_AND_FAR_END, True)):
        told = outs[..., between.place :]
        got = OUTPUT_DEG * told[..., :3].mean(0)
        for number, name in enumerate(MOVEMENTS):
            own = (rows.exercise == number) & (rows.start == start)
            for axis, signal in enumerate(("tilt", "obliquity", "rotation")):
                true, read = rows.change.cpu().numpy()[own, axis], got[own, axis]
                far, off = np.abs(true) >= 5, np.abs(read - true)
                if not far.any() or far.all():
                    continue
                slope = (true * read)[far].sum() / (true[far] ** 2).sum()
                print(f"{'start' if start else 'ends':6s}{name:20s} {signal:10s} differ {far.sum():5d}: slope {slope:5.2f}, "
                      f"off {off[far].mean():4.1f}; else off {off[~far].mean():4.1f} deg")  # fmt: skip
    return outs


def save(path: Path, nets: list[Net], std: NDArray[np.float32]) -> None:
    """Weights for `analysis.network`, half precision."""
    out: dict[str, np.ndarray] = {"std": std, "strides": np.array([s for *_, s in CONVOLUTIONS])}
    for m, net in enumerate(nets):
        for k, one in enumerate(net.convolutions):
            out[f"m{m}_convolution_{k}_w"] = _half(one.weight.permute(1, 2, 3, 0))
            out[f"m{m}_convolution_{k}_b"] = _half(one.bias)
        linear = [("describe_0", net.describe)]
        linear += [
            (f"head_{k}", one) for k, one in enumerate(q for q in net.head if isinstance(q, nn.Linear))
        ]
        for name, layer in linear:
            out[f"m{m}_{name}_w"], out[f"m{m}_{name}_b"] = _half(layer.weight.T), _half(layer.bias)
    np.savez_compressed(path, **out)


def _half(weights: Tensor) -> np.ndarray:
    return weights.detach().float().cpu().numpy().astype(np.float16)


def read(folders: list[Path], device: str) -> tuple[Rows, Rows, NDArray[np.float32]]:
    """Rows to learn from, rows of the bodies held out, and the size of every feature."""

    def whole(name: str) -> np.ndarray:
        return np.concatenate([np.load(f / f"{name}.npy") for f in folders])

    x, change, ends, seed, exercise, place = (
        whole(k) for k in ("x", "change", "ij", "seed", "exercise", "place")
    )
    held, start = seed % 10 == 0, ends[:, 0] == 0
    clip_ends = np.column_stack([seed, ends]).astype(np.int64)
    std = np.sqrt(spread(x[~held & start]) * spread(x[~held & ~start]))

    def chosen(wanted: np.ndarray) -> Rows:
        normal = np.clip(x[wanted] / std, -LIKE_TRAINING, LIKE_TRAINING).astype(np.float16)
        moved = torch.cat([torch.as_tensor(p).to(device) for p in _pieces(folders, wanted)])
        return Rows(torch.as_tensor(normal).to(device), moved, torch.as_tensor(place[wanted]).to(device),
                    torch.as_tensor(change[wanted]).to(device), exercise[wanted].astype(np.int64), clip_ends[wanted])  # fmt: skip

    return chosen(~held), chosen(held), std


def _pieces(folders: list[Path], wanted: np.ndarray) -> Iterator[np.ndarray]:
    """What moved in the rows wanted, some at a time."""
    at = 0
    for folder in folders:
        moved = np.load(folder / "moved.npy", mmap_mode="r")
        own = np.flatnonzero(wanted[at : at + len(moved)])
        at += len(moved)
        for piece in np.array_split(own, len(own) // PIECE + 1):
            yield np.ascontiguousarray(moved[piece])


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
    parser.add_argument("--told", type=Path, help="where to keep what is told of the bodies held out")
    a = parser.parse_args()
    learned, held, std = read(a.data, "cuda" if torch.cuda.is_available() else "cpu")
    nets: list[Net] = []
    for number in range(a.first, a.first + a.members):
        nets.append(fit(learned, number, a.steps))
        save(a.out, nets, std)
    outs = show(nets, held)
    if a.told:
        np.savez_compressed(a.told, out=outs.astype(np.float16), change=held.change.cpu().numpy(),
                            exercise=held.exercise, clip_ends=held.clip_ends)  # fmt: skip


if __name__ == "__main__":
    main()
