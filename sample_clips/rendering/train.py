"""Learns, from rendered people with exact joints, the body behind the pose model's landmarks.

    python -m sample_clips.rendering.train DATA.npz [DATA.npz ...] --out analysis/models/skeleton.npz

A small network per frame gives segment directions in the mat frame and how far each angle may be off.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np
import torch
from torch import Tensor, nn

from analysis.skeleton.features import LIES, describe, mirror

SIGNALS = ("pelvic_tilt", "pelvic_obliquity", "pelvic_rotation", "trunk_curl", *(
    f"{j}_{s}" for j in ("hip_flexion", "hip_abduction", "hip_rotation", "knee_flexion") for s in ("left", "right")))  # fmt: skip
BATCH = 320
NOISE, CLIP_NOISE = 0.05, 0.3
CLIP_FEATURES = 19 * 6 + 30 + 3 + 3
SWAP = [0, 1, 2, 3, 5, 4, 7, 6, 9, 8, 11, 10]
SIGN = np.array([1, -1, -1, 1] + [1] * 8, np.float32)
# rotations stored: pelvis, trunk, thigh L, shank L, thigh R, shank R, head
DIRECTIONS = ("trunk", "thigh_left", "shank_left", "thigh_right", "shank_right")
_STORED = (1, 2, 3, 4, 5)
_MIRRORED = (0, 3, 4, 1, 2)


def clip_rows(
    d: dict[str, np.ndarray], i: int, flip: bool
) -> tuple[np.ndarray, np.ndarray, np.ndarray] | None:
    """Features, angles and segment directions (T, 5, 3, as cranial axes) of one clip."""
    rows = d["clip"] == i
    meta = d["meta"][i]
    px = d["px"][rows].astype(float) / 8
    px[d["px"][rows] == -32768] = np.nan
    cm, seen = d["cm"][rows].astype(float), d["visibility"][rows].astype(float)
    angles, rotations = d["angles"][rows].astype(np.float32), d["rotations"][rows].astype(np.float32)
    found = np.isfinite(px[:, 0, 0])
    if found.sum() < 20 or found.mean() < 0.6:
        return None
    directions = rotations[..., 1][:, list(_STORED)]
    if flip:
        px, cm, seen = mirror(px[..., :2], cm, seen, int(meta[0]))
        angles = angles[:, SWAP] * SIGN
        directions = directions[:, list(_MIRRORED)] * np.array([1, 1, -1], np.float32)
    lies = LIES[int(meta[15])]
    x = describe(d["time_s"][rows], px, cm, seen, lies, (int(meta[0]), int(meta[1])))
    ok = np.isfinite(x).all(1)
    first = np.nanmean(angles[d["time_s"][rows] < 0.8, :3], axis=0)
    angles = angles.copy()
    relative = angles[:, :3] - first
    angles[:, :3] = relative
    return x[ok].astype(np.float32), angles[ok], directions[ok]


class Net(nn.Module):
    """Features -> 5 directions, 3 pelvic angles, 12 log half-widths."""

    def __init__(self, inputs: int, width: int, drop: float) -> None:
        super().__init__()
        self.body = nn.Sequential(
            nn.Dropout(0.05), nn.Linear(inputs, width), nn.SiLU(), nn.Dropout(drop), nn.Linear(width, width), nn.SiLU(),
            nn.Dropout(drop), nn.Linear(width, width // 2), nn.SiLU(),
        )  # fmt: skip
        self.head = nn.Linear(width // 2, 15 + 3 + 12)

    def forward(self, x: Tensor) -> tuple[Tensor, Tensor, Tensor]:
        h = self.head(self.body(x))
        return nn.functional.normalize(h[:, :15].reshape(-1, 5, 3), dim=2), h[:, 15:18] * 10, h[:, 18:]


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


def losses(net: Net, x: Tensor, angles: Tensor, directions: Tensor) -> tuple[Tensor, Tensor, Tensor]:
    """Loss of directions, loss of angles with their spread, and signed errors (N, 12) [deg], 0 where unknown."""
    d, pelvis, log_b = net(x)
    got = angles_from(d, pelvis)
    error = got - angles
    error = (error + 180) % 360 - 180
    known = torch.isfinite(angles)
    error = torch.where(known, error, torch.zeros_like(error))
    absolute = error.abs()
    nll = torch.where(known, absolute.detach() / log_b.exp() + log_b, torch.zeros_like(log_b))
    weight = torch.tensor([2.0, 2, 2, 1, 1, 1, 1, 1, 0.5, 0.5, 1, 1])
    direction = (d - directions).abs().mean()
    return direction * 30, (absolute * weight).mean() + 0.15 * nll.mean(), error


def load(paths: list[Path]) -> tuple[list, list]:
    """Clips of all files, as they are and mirrored."""
    plain, flipped = [], []
    for path in paths:
        with np.load(path) as f:
            d = {k: f[k] for k in f.files}
        for i in range(len(d["meta"])):
            a, b = clip_rows(d, i, False), clip_rows(d, i, True)
            if a and b:
                plain.append((*a, d["meta"][i]))
                flipped.append((*b, d["meta"][i]))
    return plain, flipped


def _partners(clip: Tensor) -> Tensor:
    """For every row another random row of the same clip (rows of a clip are next to each other)."""
    starts = torch.searchsorted(clip, clip)
    ends = torch.searchsorted(clip, clip, right=True)
    return starts + (torch.rand(len(clip)) * (ends - starts)).long()


def fit(
    x: Tensor, a: Tensor, d: Tensor, clip: Tensor, width: int, drop: float, epochs: int, seed: int
) -> Net:
    """One network, one-cycle learning rate."""
    torch.manual_seed(seed)
    net = Net(x.shape[1], width, drop)
    steps = epochs * (len(x) // BATCH + 1)
    optimiser = torch.optim.AdamW(net.parameters(), 1e-3, weight_decay=0.02)
    plan = torch.optim.lr_scheduler.OneCycleLR(optimiser, 2e-3, steps)
    for _ in range(epochs):
        partners = _partners(clip)
        for batch in torch.randperm(len(x)).split(BATCH):
            net.train()
            batch = torch.cat([batch, partners[batch]])
            noise = NOISE * torch.randn(len(batch), x.shape[1])
            noise[:, -CLIP_FEATURES:] *= (
                CLIP_NOISE / NOISE
            )  # or the few hundred clips would be learned by heart
            direction, angle, error = losses(net, x[batch] + noise, a[batch], d[batch])
            first, second = error.chunk(2)
            change = (first - second).abs().mean()  # a range is a difference within the clip
            optimiser.zero_grad()
            (direction + angle + change).backward()
            nn.utils.clip_grad_norm_(net.parameters(), 5.0)
            optimiser.step()
            plan.step()
    return net.eval()


def stack(clips: list) -> tuple[Tensor, Tensor, Tensor]:
    """Rows of all clips."""
    return tuple(
        torch.as_tensor(np.concatenate([c[k] for c in clips]), device=torch.get_default_device())
        for k in range(3)
    )  # type: ignore[return-value]


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("data", type=Path, nargs="+")
    parser.add_argument("--out", type=Path)
    parser.add_argument("--epochs", type=int, default=20)
    parser.add_argument("--width", type=int, default=256)
    parser.add_argument("--drop", type=float, default=0.15)
    parser.add_argument("--members", type=int, default=1)
    args = parser.parse_args()
    torch.set_default_device("cuda" if torch.cuda.is_available() else "cpu")
    plain, flipped = load(args.data)
    test = np.arange(len(plain)) % 8 == 0
    train = [c for group in (plain, flipped) for c, t in zip(group, test, strict=True) if not t]
    x, a, d = stack(train)
    clip = torch.repeat_interleave(torch.arange(len(train)), torch.tensor([len(c[0]) for c in train]))
    mean, std = x.mean(0), x.std(0).clamp(min=0.02)
    xt, at, _ = stack([c for c, t in zip(plain, test, strict=True) if t])
    nets = [
        fit((x - mean) / std, a, d, clip, args.width, args.drop, args.epochs, s) for s in range(args.members)
    ]
    with torch.no_grad():
        outs = [n((xt - mean) / std) for n in nets]
        got = angles_from(
            nn.functional.normalize(sum(o[0] for o in outs), dim=2), sum(o[1] for o in outs) / len(outs)
        )
    meta = np.concatenate([np.tile(c[3], (len(c[0]), 1)) for c, t in zip(plain, test, strict=True) if t])
    usual = (meta[:, 16] < 12) & np.isin(meta[:, 17] * 10 + meta[:, 15], [0, 10, 20, 31, 2])
    error = (((got - at) + 180) % 360 - 180).cpu().numpy()
    at = at.cpu().numpy()
    print(len(train), "clips", len(x), "rows", x.shape[1], "features")
    for i, s in enumerate(SIGNALS):
        print(
            f"{s:22s} mae {np.nanmean(np.abs(error[:, i])):5.2f}  zero {np.nanmean(np.abs(at[:, i])):5.2f}"
            f"  usual {np.nanmean(np.abs(error[usual, i])):5.2f}  zero {np.nanmean(np.abs(at[usual, i])):5.2f}"
        )
    if args.out:
        save(args.out, nets, mean, std)


def save(path: Path, nets: list[Net], mean: Tensor, std: Tensor) -> None:
    """Weights for `analysis/skeleton/corrector.py`, half precision."""
    out = {"mean": mean.cpu().numpy(), "std": std.cpu().numpy()}
    for m, net in enumerate(nets):
        layers = [layer for layer in [*net.body, net.head] if isinstance(layer, nn.Linear)]
        for k, layer in enumerate(layers):
            out[f"w{m}_{k}"] = layer.weight.detach().cpu().numpy().T.astype(np.float16)
            out[f"b{m}_{k}"] = layer.bias.detach().cpu().numpy().astype(np.float16)
    np.savez_compressed(path, **out)


if __name__ == "__main__":
    main()
