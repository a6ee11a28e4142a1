"""Runs small learned networks with numpy alone; the weights are in `analysis/models`."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Final, TypeVar

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray
from scipy.special import expit, softmax

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
_Real = TypeVar("_Real", np.float32, np.float64)
Layer = tuple[Floats, Floats]
MOST_SUMMED: Final = 2000  # pictures that are looked at together


@dataclass(frozen=True, eq=False)
class Ensemble:
    """Networks of the same shape, each a chain of linear layers with SiLU between them.

    mean, std (F,): of the features they were trained on.
    """

    mean: Floats
    std: Floats
    members: tuple[tuple[Layer, ...], ...]

    def outputs(self, features: Floats, limit: float = np.inf) -> Floats:
        """Outputs (M, T, K) of every member for features (T, F), told to `limit` standard deviations."""
        x = np.clip((features - self.mean) / self.std, -limit, limit)
        return np.stack([_run(x, layers) for layers in self.members])


def _run(x: Floats, layers: tuple[Layer, ...]) -> Floats:
    for k, (weight, bias) in enumerate(layers):
        x = x @ weight + bias
        if k < len(layers) - 1:
            x = _silu(x)
    return x


def _silu(x: NDArray[_Real]) -> NDArray[_Real]:
    return np.asarray(x * expit(x))


@dataclass(frozen=True, eq=False)
class ClipNetwork:
    """A network that reads every picture beside a summary of its whole clip.

    `encode` describes a picture; `value` tells what it adds to the summary and `attention`, head by head, how
    much it counts there; `context` describes the summary; `head` answers from both descriptions.
    """

    encode: tuple[Layer, ...]
    value: Layer
    attention: Layer
    context: tuple[Layer, ...]
    head: tuple[Layer, ...]

    def summary(self, x: Floats) -> Floats:
        """Of the pictures x (T, F): description (C,) of the clip."""
        seen = _silu(_run(x, self.encode))
        counts = softmax(_run(seen, (self.attention,)), axis=0)
        values = _run(seen, (self.value,)).reshape(len(x), counts.shape[1], -1)
        pooled = np.einsum("thc,th->hc", values, counts).reshape(1, -1)
        return np.asarray(_silu(_run(pooled, self.context))[0])

    def outputs(self, x: Floats, summary: Floats) -> Floats:
        """Answers (T, K) for pictures x (T, F) of the clip with that summary."""
        seen = _silu(_run(x, self.encode))
        return _run(np.column_stack([seen, np.tile(summary, (len(x), 1))]), self.head)


@dataclass(frozen=True, eq=False)
class ClipEnsemble:
    """Networks of the same shape, with mean and std (F,) of the features they were trained on."""

    mean: Floats
    std: Floats
    members: tuple[ClipNetwork, ...]

    def outputs(self, features: Floats, limit: float = np.inf) -> Floats:
        """Outputs (M, T, K) of every member for the features (T, F) of one clip, told to `limit` standard
        deviations; NaN rows give NaN.

        The summary is of at most `MOST_SUMMED` pictures, evenly spread, so that memory stays small.
        """
        x = np.clip((features - self.mean) / self.std, -limit, limit)
        known = np.flatnonzero(np.isfinite(x).all(axis=1))
        stretches = -(-len(known) // MOST_SUMMED)  # rounded up
        out = np.full((len(self.members), len(x), len(self.members[0].head[-1][1])), np.nan)
        summed = x[known[:: max(1, stretches)]]
        for m, member in enumerate(self.members if len(known) else ()):
            summary = member.summary(summed)
            for rows in np.array_split(known, stretches):
                out[m, rows] = member.outputs(x[rows], summary)
        return out


_PARTS: Final = ("encode", "value", "attention", "context", "head")


@cache
def load_clip_ensemble(name: str) -> ClipEnsemble:
    """The ensemble in `analysis/models/NAME.npz`: m{member}_{part}_{layer}_w and _b, mean, std."""
    stored = _stored(name)
    count = sum(k.endswith("_value_0_w") for k in stored)
    return ClipEnsemble(stored["mean"], stored["std"], tuple(_clip_network(stored, m) for m in range(count)))


def _clip_network(stored: dict[str, Floats], member: int) -> ClipNetwork:
    parts = {}
    for part in _PARTS:
        count = sum(k.startswith(f"m{member}_{part}_") and k.endswith("_w") for k in stored)
        names = [f"m{member}_{part}_{k}" for k in range(count)]
        parts[part] = tuple((stored[f"{n}_w"], stored[f"{n}_b"]) for n in names)
    return ClipNetwork(
        parts["encode"], parts["value"][0], parts["attention"][0], parts["context"], parts["head"]
    )


def _stored(name: str) -> dict[str, Floats]:
    with files("analysis").joinpath("models", f"{name}.npz").open("rb") as f, np.load(f) as d:
        return {k: d[k].astype(np.float64) for k in d.files}


@cache
def load(name: str) -> Ensemble:
    """The ensemble in `analysis/models/NAME.npz`: w{member}_{layer}, b{member}_{layer}, mean, std."""
    stored = _stored(name)
    count = sum(k.startswith("w") and k.endswith("_0") for k in stored)
    members = tuple(_layers(stored, m) for m in range(count))
    return Ensemble(stored["mean"], stored["std"], members)


def _layers(stored: dict[str, Floats], member: int) -> tuple[Layer, ...]:
    count = sum(k.startswith(f"w{member}_") for k in stored)
    return tuple((stored[f"w{member}_{k}"], stored[f"b{member}_{k}"]) for k in range(count))


Convolution = tuple[Floats, Floats, int]


@dataclass(frozen=True, eq=False)
class PictureNetwork:
    """A network that reads a small picture and a row of numbers beside it.

    `convolutions`: weights (C, k, k, K), bias (K,) and stride, each with SiLU after it; `describe` tells of
    the whole picture, and `head` answers from that and the numbers.
    """

    convolutions: tuple[Convolution, ...]
    describe: Layer
    head: tuple[Layer, ...]

    def outputs(self, pictures: Floats, x: Floats) -> Floats:
        """Answers (N, K) for pictures (N, H, W, C) and numbers (N, F)."""
        shown = pictures.astype(np.float32)  # half the time; weights are kept in half precision anyway
        for convolution in self.convolutions:
            shown = _silu(_convolved(shown, *convolution))
        # channels come first in what was learned
        flat = np.moveaxis(shown, 3, 1).reshape(len(x), -1).astype(np.float64)
        seen = _silu(_run(flat, (self.describe,)))
        return _run(np.column_stack([x, seen]), self.head)


def _convolved(pictures: Singles, weight: Floats, bias: Floats, stride: int) -> Singles:
    size = weight.shape[1]
    edge = (size // 2, size // 2)
    padded = np.pad(pictures, ((0, 0), edge, edge, (0, 0)))
    patches = sliding_window_view(padded, (size, size), axis=(1, 2))[:, ::stride, ::stride]
    summed = np.tensordot(patches, weight.astype(np.float32), 3)
    return np.asarray(summed + bias.astype(np.float32))


@dataclass(frozen=True, eq=False)
class PictureEnsemble:
    """Networks of the same shape, with the size (F,) of the numbers they were trained on."""

    std: Floats
    members: tuple[PictureNetwork, ...]

    def outputs(self, pictures: Floats, numbers: Floats, limit: float) -> Floats:
        """Outputs (M, N, K) of every member; numbers are told to `limit` standard deviations."""
        x = np.clip(numbers / self.std, -limit, limit)
        return np.stack([one.outputs(pictures, x) for one in self.members])


@cache
def load_picture_ensemble(name: str) -> PictureEnsemble:
    """The ensemble in `analysis/models/NAME.npz`: m{member}_{part}_{layer}_w and _b, and strides, std."""
    stored = _stored(name)
    count = sum(k.endswith("_describe_0_w") for k in stored)
    return PictureEnsemble(stored["std"], tuple(_picture_network(stored, m) for m in range(count)))


def _picture_network(stored: dict[str, Floats], member: int) -> PictureNetwork:
    def layers(part: str) -> list[Layer]:
        count = sum(k.startswith(f"m{member}_{part}_") and k.endswith("_w") for k in stored)
        return [(stored[f"m{member}_{part}_{k}_w"], stored[f"m{member}_{part}_{k}_b"]) for k in range(count)]

    strides = [int(s) for s in stored["strides"]]
    convolutions = tuple((w, b, s) for (w, b), s in zip(layers("convolution"), strides, strict=True))
    return PictureNetwork(convolutions, layers("describe")[0], tuple(layers("head")))
