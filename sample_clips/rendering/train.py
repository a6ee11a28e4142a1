"""Learns, from rendered people with exact joints, the body behind the pose model's landmarks.

    python -m sample_clips.rendering.train DATA.npz [DATA.npz ...] --out analysis/models/skeleton.npz

Data from `sample_clips.rendering.dataset`. A small network reads every picture beside a summary of its
whole clip: how long this client's segments are and where the phone stands is told by all pictures
together. It gives segment directions in the mat frame and how far each angle may be off. A graphics card
is used where there is one.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import torch
from torch import Tensor, nn

from analysis.skeleton.features import LIES, describe, mirror
from sample_clips.rendering.dataset import SIGNALS
from sample_clips.rendering.motions import MOVEMENTS

CLIPS, PICTURES = 96, 48  # in a batch
STEPS, RATE, DECAY = 11_000, 2e-3, 0.02
WIDTH, HEADS, VALUES, DROP = 512, 4, 64, 0.2
NOISE, CLIP_NOISE = 0.05, 0.3
CHANGE = 2.5  # weight of the error of a change within the clip: a range is one
# Three of the four networks shipped were learned so; the fourth with CHANGE 1 and CLIP_NOISE 0.15.
CLIP_FEATURES = 19 * 6 + 30 + 3 + 3  # the last ones of `features.describe`, the same in all pictures
SWAP = [0, 1, 2, 3, 5, 4, 7, 6, 9, 8, 11, 10]
SIGN = np.array([1, -1, -1, 1] + [1] * 8, np.float32)
OUTPUTS = 15 + 3 + 12
MIRRORED = [0, 3, 4, 1, 2]  # trunk, thigh and shank of the left, of the right
START_S = 0.9
WEIGHTS = (2.0, 2.0, 2.0, 1.0, 1.0, 1.0, 1.0, 1.0, 0.5, 0.5, 1.0, 1.0)  # by SIGNALS; rotation is least sure


@dataclass(frozen=True, eq=False)
class Clip:
    """Features (T, F), angles (T, 12) [deg] and directions (T, 5, 3) of a clip's pictures."""

    features: np.ndarray
    angles: np.ndarray
    directions: np.ndarray
    held_out: bool
    exercise: bool


def clip_of(d: dict[str, np.ndarray], i: int, flip: bool) -> Clip | None:
    """One clip, as it is or mirrored; None where the pose model saw too little of it."""
    rows, meta = d["clip"] == i, d["meta"][i]
    px = d["px"][rows].astype(float) / 8
    px[d["px"][rows] == -32768] = np.nan
    cm, seen, t = (d[k][rows].astype(float) for k in ("cm", "visibility", "time_s"))
    angles, directions = (d[k][rows].astype(np.float32) for k in ("angles", "directions"))
    found = np.isfinite(px[:, 0, 0])
    if found.sum() < 20 or found.mean() < 0.6:
        return None
    if flip:
        px, cm, seen = mirror(px, cm, seen, int(meta[0]))
        angles = angles[:, SWAP] * SIGN
        directions = directions[:, MIRRORED] * np.array([1, 1, -1], np.float32)
    x = describe(t, px, cm, seen, LIES[int(meta[15])], (int(meta[0]), int(meta[1])))
    ok = np.isfinite(x).all(1)
    angles[:, :3] -= np.nanmean(angles[t < START_S, :3], axis=0)
    return Clip(
        x[ok].astype(np.float32),
        angles[ok],
        directions[ok],
        d["seed"][i] % 10 == 0,
        meta[16] < len(MOVEMENTS),
    )


def load(paths: list[Path]) -> list[Clip]:
    """Clips of all files; those to learn from also mirrored."""
    clips = []
    for path in paths:
        with np.load(path) as f:
            d = {k: f[k] for k in f.files}
        clips += [clip_of(d, i, flip) for i in range(len(d["meta"])) for flip in (False, True)
                  if not (flip and d["seed"][i] % 10 == 0)]  # fmt: skip
    return [clip for clip in clips if clip is not None]


class Net(nn.Module):
    """The network that `analysis.network.ClipNetwork` runs: pictures (N, T, F) of N clips -> (N, T, K)."""

    def __init__(
        self, inputs: int, outputs: int, width: int = WIDTH, drop: float = DROP, first_drop: float = 0.05
    ) -> None:
        super().__init__()
        self.encode = nn.Sequential(
            nn.Dropout(first_drop), nn.Linear(inputs, width), nn.SiLU(), nn.Dropout(drop), nn.Linear(width, width), nn.SiLU(),
        )  # fmt: skip
        self.value, self.attention = nn.Linear(width, HEADS * VALUES), nn.Linear(width, HEADS)
        self.context = nn.Sequential(nn.Linear(HEADS * VALUES, width // 2), nn.SiLU(), nn.Dropout(drop))
        self.head = nn.Sequential(
            nn.Linear(width + width // 2, width), nn.SiLU(), nn.Dropout(drop),
            nn.Linear(width, width // 2), nn.SiLU(), nn.Linear(width // 2, outputs),
        )  # fmt: skip

    def forward(self, x: Tensor) -> Tensor:
        seen = self.encode(x)
        n, t, _ = seen.shape
        counts = torch.softmax(self.attention(seen), 1)[..., None]
        values = self.value(seen).reshape(n, t, HEADS, VALUES)
        context = self.context((values * counts).sum(1).reshape(n, -1))
        out: Tensor = self.head(torch.cat([seen, context[:, None].expand(n, t, -1)], 2))
        return out


def told(out: Tensor) -> tuple[Tensor, Tensor, Tensor]:
    """Outputs (N, T, 30) as directions (N, T, 5, 3), pelvic angles (N, T, 3) [deg], and logarithms of the
    errors expected (N, T, 12) [deg]."""
    directions = nn.functional.normalize(out[..., :15].reshape(*out.shape[:2], 5, 3), dim=3)
    return directions, out[..., 15:18] * 10, out[..., 18:]


def pelvis_matrix(p: Tensor) -> Tensor:
    """(N, 3) tilt, obliquity, rotation [deg] -> (N, 3, 3), rotation-obliquity-tilt order."""
    tilt, obl, rot = (torch.deg2rad(-p[:, 0]), torch.deg2rad(-p[:, 1]), torch.deg2rad(p[:, 2]))
    one, zero = torch.ones_like(tilt), torch.zeros_like(tilt)

    def mat(*rows: Tensor) -> Tensor:
        return torch.stack(rows, 1).reshape(-1, 3, 3)

    ry = mat(rot.cos(), zero, rot.sin(), zero, one, zero, -rot.sin(), zero, rot.cos())
    rx = mat(one, zero, zero, zero, obl.cos(), -obl.sin(), zero, obl.sin(), obl.cos())
    rz = mat(tilt.cos(), -tilt.sin(), zero, tilt.sin(), tilt.cos(), zero, zero, zero, one)
    return ry @ rx @ rz


def angles_from(directions: Tensor, pelvis: Tensor) -> Tensor:
    """(N, 12) angles of SIGNALS [deg] from directions (N, 5, 3) and pelvis (N, 3)."""
    to_pelvis = pelvis_matrix(pelvis).transpose(1, 2)
    trunk = directions[:, 0]
    out = [pelvis[:, 0], pelvis[:, 1], pelvis[:, 2], torch.rad2deg(torch.atan2(trunk[:, 0], trunk[:, 1]))]
    per_side = []
    for k, s in ((1, -1.0), (3, 1.0)):
        thigh, shank = directions[:, k], directions[:, k + 1]
        y = (to_pelvis @ thigh[:, :, None])[:, :, 0]
        flexion = torch.atan2(-y[:, 0], y[:, 1])
        adduction = torch.asin(y[:, 2].clamp(-0.999, 0.999))
        knee = torch.atan2(torch.linalg.cross(thigh, shank).norm(dim=1) + 1e-6, (thigh * shank).sum(1))
        # hinge axis, pointing right, as seen in the frame after flexion and adduction
        hinge = nn.functional.normalize(torch.linalg.cross(shank, thigh), dim=1, eps=1e-4)
        z = (to_pelvis @ hinge[:, :, None])[:, :, 0]
        cf, sf = flexion.cos(), flexion.sin()
        x1 = cf * z[:, 0] + sf * z[:, 1]
        y1 = -sf * z[:, 0] + cf * z[:, 1]
        z1 = -adduction.sin() * y1 + adduction.cos() * z[:, 2]
        internal = torch.atan2(x1, z1)
        per_side.append((flexion, -s * adduction, -s * internal, knee))
    for j in range(4):
        out += [torch.rad2deg(per_side[0][j]), torch.rad2deg(per_side[1][j])]
    return torch.stack(out, 1)


def loss_of(net: Net, x: Tensor, angles: Tensor, directions: Tensor) -> Tensor:
    """Of directions, of angles, of their change between two pictures of a clip, and of the errors told."""
    got, pelvis, log_b = told(net(x))
    flat = angles_from(got.reshape(-1, 5, 3), pelvis.reshape(-1, 3)).reshape(angles.shape)
    error = (flat - angles + 180) % 360 - 180
    known = torch.isfinite(angles)
    error = torch.where(known, error, torch.zeros_like(error))
    doubt = torch.where(known, error.abs().detach() / log_b.exp() + log_b, torch.zeros_like(log_b))
    change = (error - torch.roll(error, 1, 1)).abs().mean()
    weights = torch.tensor(WEIGHTS, device=x.device)
    return (
        30 * (got - directions).abs().mean()
        + (error.abs() * weights).mean()
        + 0.15 * doubt.mean()
        + CHANGE * change
    )


class Stack:
    """All clips one after the other, on the device; `batch` draws some pictures of some clips."""

    def __init__(self, clips: list[Clip], mean: np.ndarray, std: np.ndarray, device: str) -> None:
        lengths = [len(c.features) for c in clips]
        self.count = torch.tensor(lengths, device=device)
        self.start = torch.tensor(np.cumsum([0, *lengths[:-1]]), device=device)
        self.x = torch.as_tensor(np.concatenate([(c.features - mean) / std for c in clips]), device=device)
        self.angles = torch.as_tensor(np.concatenate([c.angles for c in clips]), device=device)
        self.directions = torch.as_tensor(np.concatenate([c.directions for c in clips]), device=device)

    def batch(self) -> tuple[Tensor, Tensor, Tensor]:
        """Features with noise, angles and directions, (CLIPS, PICTURES, ...)."""
        device = self.x.device
        clip = torch.randint(len(self.count), (CLIPS, 1), device=device)
        share = torch.rand(CLIPS, PICTURES, device=device)
        rows = self.start[clip] + (share * self.count[clip]).long()
        x = self.x[rows]
        noise = NOISE * torch.randn_like(x)
        # what is the same in a clip would else be learned by heart
        noise[..., -CLIP_FEATURES:] = CLIP_NOISE * torch.randn(CLIPS, 1, CLIP_FEATURES, device=device)
        return x + noise, self.angles[rows], self.directions[rows]


def fit(data: Stack, seed: int, steps: int) -> Net:
    """One network from the clips."""
    torch.manual_seed(seed)
    net = Net(data.x.shape[1], OUTPUTS).to(data.x.device)
    return descend(net, lambda: loss_of(net, *data.batch()), seed, steps)


def descend(net: Net, loss_now: Callable[[], Tensor], seed: int, steps: int) -> Net:
    """The network after that many steps; the learning rate rises for a quarter of them, then falls like a
    cosine. `loss_now` draws a batch and gives its loss."""
    optimiser = torch.optim.AdamW(net.parameters(), RATE, weight_decay=DECAY)
    start = time.time()
    for step in range(steps):
        done = step / steps
        rate = RATE * (done / 0.25 if done < 0.25 else 0.5 * (1 + np.cos(np.pi * (done - 0.25) / 0.75)))
        for group in optimiser.param_groups:
            group["lr"] = rate + 1e-6
        loss = loss_now()
        optimiser.zero_grad()
        loss.backward()
        nn.utils.clip_grad_norm_(net.parameters(), 5.0)
        optimiser.step()
        if step % 500 == 499:
            print(f"network {seed}, step {step + 1} of {steps}, {time.time() - start:.0f} s", flush=True)
    return net.eval().cpu()


def errors(nets: list[Net], clip: Clip, mean: np.ndarray, std: np.ndarray) -> np.ndarray:
    """Errors (T, 12) [deg] of the networks together."""
    x = torch.as_tensor((clip.features - mean) / std)[None]
    with torch.no_grad():
        outs = [told(net(x)) for net in nets]
        directions = nn.functional.normalize(sum((o[0] for o in outs), torch.zeros(())), dim=3)[0]
        pelvis = sum((o[1] for o in outs), torch.zeros(()))[0] / len(outs)
        got = angles_from(directions, pelvis).numpy()
    return (got - clip.angles + 180) % 360 - 180


def save(path: Path, nets: list[Net], mean: np.ndarray, std: np.ndarray) -> None:
    """Weights for `analysis.network.load_clip_ensemble`, half precision."""
    out = {"mean": mean, "std": std}
    for m, net in enumerate(nets):
        parts = {"encode": net.encode, "value": [net.value], "attention": [net.attention],
                 "context": net.context, "head": net.head}  # fmt: skip
        for name, part in parts.items():
            for k, layer in enumerate(x for x in part if isinstance(x, nn.Linear)):
                out[f"m{m}_{name}_{k}_w"] = layer.weight.detach().numpy().T.astype(np.float16)
                out[f"m{m}_{name}_{k}_b"] = layer.bias.detach().numpy().astype(np.float16)
    np.savez_compressed(path, **out)


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("data", type=Path, nargs="+")
    parser.add_argument("--out", type=Path)
    parser.add_argument("--members", type=int, default=4)
    parser.add_argument("--steps", type=int, default=STEPS)
    args = parser.parse_args()
    clips = load(args.data)
    learned = [c for c in clips if not c.held_out]
    every = np.concatenate([c.features for c in learned])
    mean, std = every.mean(0), np.maximum(every.std(0), 0.02)
    data = Stack(learned, mean, std, "cuda" if torch.cuda.is_available() else "cpu")
    nets = [fit(data, seed, args.steps) for seed in range(args.members)]
    for what, usual in (("exercises", True), ("at random", False)):
        off = [errors(nets, c, mean, std) for c in clips if c.held_out and c.exercise == usual]
        if off:
            mean_error = np.nanmean(np.abs(np.concatenate(off)), axis=0)
            print(f"mean absolute error held out, {what} [deg]:")
            print(*(f"  {s} {e:.2f}" for s, e in zip(SIGNALS, mean_error, strict=True)), sep="\n")
    if args.out:
        save(args.out, nets, mean, std)


if __name__ == "__main__":
    main()
