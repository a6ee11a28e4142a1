"""Learns to read the pelvis from the cloth over it.

    python -m sample_clips.rendering.train_cloth DATA.npz --out analysis/models/cloth.npz

Data from `sample_clips.rendering.cloth`. Each network gives tilt, obliquity and rotation since the still
start, and how far each may be off.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np
import torch
from torch import Tensor, nn

from analysis.pelvis.fabric import LIKE_TRAINING, OUTPUT_DEG

WIDTH, DROP, BATCH, RATE = 160, 0.1, 512, 2e-3
CLIP_FEATURES = 31  # the last ones, the same in every frame of a clip: a few thousand clips are not many
NOISE, CLIP_NOISE = 0.05, 0.15


# How the features of `analysis.pelvis.cloth` change in a mirror: blocks that change places, and signs. Turns
# are axial vectors, shifts and directions are polar ones; the mat's Z points to the right.
AXIAL, POLAR = (-1.0, -1.0, 1.0), (1.0, 1.0, -1.0)
SIGNS = np.array([
    *AXIAL * 3, *POLAR * 3, *AXIAL * 2, 1, 1, -1, 1, *POLAR * 4, *POLAR * 3, *POLAR * 5,
    *AXIAL, *POLAR * 2, 1, 1, 1, -1, 1, 1, 1, *POLAR * 5,
])  # fmt: skip
KNEES, SHOWN, CHANGES, START = 34, 43, 52, 83  # first columns of pairs of sides, three numbers each
PAIRS = (
    (KNEES, KNEES + 3),
    (SHOWN, SHOWN + 3),
    *((a + k, a + k + 3) for a in (CHANGES, START) for k in (0, 6)),
)
ANGLE_SIGNS = np.array([1.0, -1.0, -1.0])


def mirrored(features: np.ndarray) -> np.ndarray:
    """The features (N, 95) of the same clips seen in a mirror."""
    order = np.arange(len(SIGNS))
    for left, right in PAIRS:
        order[left : left + 3], order[right : right + 3] = np.r_[right : right + 3], np.r_[left : left + 3]
    return (features * SIGNS)[:, order].astype(np.float32)


class Net(nn.Module):
    """Features -> 3 angles, 3 logarithms of the error expected [deg]."""

    def __init__(self, inputs: int) -> None:
        super().__init__()
        self.layers = nn.Sequential(
            nn.Dropout(0.05), nn.Linear(inputs, WIDTH), nn.SiLU(), nn.Dropout(DROP), nn.Linear(WIDTH, WIDTH), nn.SiLU(),
            nn.Dropout(DROP), nn.Linear(WIDTH, WIDTH // 2), nn.SiLU(), nn.Linear(WIDTH // 2, 6),
        )  # fmt: skip

    def forward(self, x: Tensor) -> tuple[Tensor, Tensor]:
        out = self.layers(x)
        return out[:, :3] * OUTPUT_DEG, out[:, 3:]


def fit(x: Tensor, angles: Tensor, clip: Tensor, epochs: int, seed: int) -> Net:
    """One network from normalised features (N, F), angles (N, 3) [deg] and clip numbers (N,)."""
    torch.manual_seed(seed)
    net = Net(x.shape[1])
    optimiser = torch.optim.AdamW(net.parameters(), lr=RATE, weight_decay=1e-3)
    plan = torch.optim.lr_scheduler.OneCycleLR(optimiser, RATE, total_steps=epochs * (len(x) // BATCH + 1))
    for _ in range(epochs):
        order, of_clip = torch.randperm(len(x)), torch.randn(int(clip.max()) + 1, CLIP_FEATURES) * CLIP_NOISE
        for batch in order.split(BATCH):
            noisy = x[batch] + NOISE * torch.randn(len(batch), x.shape[1])
            noisy[:, -CLIP_FEATURES:] += of_clip[clip[batch]]
            got, log_error = net(noisy)
            error = (got - angles[batch]).abs()
            expected = (error.detach() / log_error.exp() + log_error).mean()
            loss = (error * (1 + angles[batch].abs() / 8)).mean() + 0.15 * expected
            optimiser.zero_grad()
            loss.backward()
            optimiser.step()
            plan.step()
    return net.eval()


def load(paths: list[Path]) -> tuple[Tensor, Tensor, Tensor]:
    """Features (N, F), angles (N, 3) and clip numbers (N,) of all files, as they are and in a mirror."""
    parts = [np.load(path) for path in paths]
    x, angles = (np.concatenate([d[k] for d in parts]) for k in ("features", "angles"))
    first = np.cumsum([0, *(d["clip"].max() + 1 for d in parts)])
    clip = np.concatenate([d["clip"] + n for d, n in zip(parts, first, strict=False)])
    known = np.isfinite(x).all(axis=1)
    x, angles, clip = x[known], angles[known], clip[known]
    both = (
        np.concatenate([x, mirrored(x)]),
        np.concatenate([angles, (angles * ANGLE_SIGNS).astype(np.float32)]),
    )
    return (
        torch.tensor(both[0]),
        torch.tensor(both[1]),
        torch.tensor(np.concatenate([clip, clip + first[-1]])),
    )


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("data", type=Path, nargs="+")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--epochs", type=int, default=14)
    parser.add_argument("--members", type=int, default=4)
    parser.add_argument("--first", type=int, default=0, help="seed of the first network")
    a = parser.parse_args()
    x, angles, clip = load(a.data)
    mean, std = x.mean(0), x.std(0).clamp(min=0.05)
    normal = ((x - mean) / std).clamp(-LIKE_TRAINING, LIKE_TRAINING)
    save(
        a.out,
        [fit(normal, angles, clip, a.epochs, seed) for seed in range(a.first, a.first + a.members)],
        mean,
        std,
    )


def save(path: Path, nets: list[Net], mean: Tensor, std: Tensor) -> None:
    """Weights for `analysis.network`, half precision."""
    out = {"mean": mean.numpy(), "std": std.numpy()}
    for m, net in enumerate(nets):
        for k, layer in enumerate(one for one in net.layers if isinstance(one, nn.Linear)):
            out[f"w{m}_{k}"] = layer.weight.detach().numpy().T.astype(np.float16)
            out[f"b{m}_{k}"] = layer.bias.detach().numpy().astype(np.float16)
    np.savez_compressed(path, **out)


if __name__ == "__main__":
    main()
