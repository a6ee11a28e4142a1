"""Runs small learned networks with numpy alone; the weights are in `analysis/models`."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from importlib.resources import files

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Layer = tuple[Floats, Floats]


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
            x = x / (1 + np.exp(-x))
    return x


@cache
def load(name: str) -> Ensemble:
    """The ensemble in `analysis/models/NAME.npz`: w{member}_{layer}, b{member}_{layer}, mean, std."""
    with files("analysis").joinpath("models", f"{name}.npz").open("rb") as f, np.load(f) as d:
        stored = {k: d[k].astype(np.float64) for k in d.files}
    count = sum(k.startswith("w") and k.endswith("_0") for k in stored)
    members = tuple(_layers(stored, m) for m in range(count))
    return Ensemble(stored["mean"], stored["std"], members)


def _layers(stored: dict[str, Floats], member: int) -> tuple[Layer, ...]:
    count = sum(k.startswith(f"w{member}_") for k in stored)
    return tuple((stored[f"w{member}_{k}"], stored[f"b{member}_{k}"]) for k in range(count))
