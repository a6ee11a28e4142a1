"""Runs small learned networks with numpy alone; the weights are in `analysis/models`."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, softmax

Floats = NDArray[np.float64]
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


def _silu(x: Floats) -> Floats:
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
