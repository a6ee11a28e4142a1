"""Bodies with exact joints: rest shapes from the `anny` body model and linear blend skinning.

Coordinates at rest are the body's own ISB axes (X anterior, Y cranial, Z right) in metres, so that a
segment's rotation matrix is identity when the person stands straight.

    python -m sample_clips.rendering.body BODIES.npz --people 100     # for `dataset` and `cloth`
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

# anny: x left, y back, z up -> ISB: X anterior, Y cranial, Z right
_ANNY_TO_ISB = np.array([[0.0, -1.0, 0.0], [0.0, 0.0, 1.0], [-1.0, 0.0, 0.0]])

_SPINE = ("spine05", "spine04", "spine03", "spine02", "spine01")
_SEGMENT_PREFIXES = {
    "upperleg": "thigh", "lowerleg": "shank", "foot": "foot", "toe": "foot", "shoulder": "upper_arm",
    "upperarm": "upper_arm", "lowerarm": "forearm", "wrist": "forearm", "finger": "forearm",
    "metacarpal": "forearm", "neck": "neck", "clavicle": "trunk", "breast": "trunk", "pelvis": "pelvis",
    "root": "pelvis",
}  # fmt: skip
_SIDES = {".L": "_left", ".R": "_right"}


def _segment(bone: str) -> str:
    if bone in _SPINE:
        return bone
    side = _SIDES.get(bone[-2:], "")
    for prefix, segment in _SEGMENT_PREFIXES.items():
        if bone.startswith(prefix):
            return segment if segment in ("neck", "trunk", "pelvis") else segment + side
    return "head"


SEGMENTS = (
    "pelvis", *_SPINE, "trunk", "neck", "head",
    *(s + side for side in ("_left", "_right") for s in ("thigh", "shank", "foot", "upper_arm", "forearm")),
)  # fmt: skip


@dataclass(frozen=True, eq=False)
class Body:
    """A person at rest: vertices (V, 3) m, triangles (F, 3), weights (V, S) by segment, pivots (S, 3) m."""

    vertices: Floats
    triangles: NDArray[np.int32]
    weights: Floats
    pivots: dict[str, Floats]

    def length(self, a: str, b: str) -> float:
        """Distance between two pivots [m]."""
        return float(np.linalg.norm(self.pivots[a] - self.pivots[b]))

    def skin(self, rotations: dict[str, Floats], positions: dict[str, Floats]) -> Floats:
        """Vertices (V, 3) of the posed body: each segment turned about its pivot, moved to its position."""
        out = np.zeros_like(self.vertices)
        for i, segment in enumerate(SEGMENTS):
            w = self.weights[:, i]
            used = np.flatnonzero(w > 1e-4)
            moved = (self.vertices[used] - self.pivots[segment]) @ rotations[segment].T + positions[segment]
            out[used] += w[used, None] * moved
        return out


def _pivots(bones: list[str], heads: Floats, tails: Floats) -> dict[str, Floats]:
    def at(bone: str) -> Floats:
        return heads[bones.index(bone)]

    pivots = {
        "pelvis": (at("upperleg01.L") + at("upperleg01.R")) / 2,
        **{s: at(s) for s in _SPINE},
        "trunk": at("spine01"),
        "neck": at("neck01"),
        "head": at("head"),
        "head_top": tails[bones.index("head")],
    }
    starts = {"thigh": "upperleg01", "shank": "lowerleg01", "foot": "foot", "upper_arm": "upperarm01",
              "forearm": "lowerarm01", "hand": "wrist"}  # fmt: skip
    for suffix, side in _SIDES.items():
        pivots |= {name + side: at(bone + suffix) for name, bone in starts.items()}
        pivots["toe" + side] = tails[bones.index("toe2-3" + suffix)]
    return pivots


@cache
def _model() -> Any:
    import anny

    return anny.create_fullbody_model(triangulate_faces=True)


def make_body(**phenotype: float) -> Body:
    """A body of the given phenotype (gender, age, muscle, weight, height, proportions; each 0..1)."""
    import torch  # heavy, and only needed where clips are made

    model = _model()
    shape = {k: torch.tensor([float(phenotype.get(k, 0.5))]) for k in model.phenotype_labels}
    out = model(phenotype_kwargs=shape)
    bones = list(model.bone_labels)
    rest = out["rest_vertices"][0].numpy().astype(float) @ _ANNY_TO_ISB.T
    heads, tails = (
        out[k][0].numpy().astype(float) @ _ANNY_TO_ISB.T for k in ("rest_bone_heads", "rest_bone_tails")
    )
    weights = np.zeros((len(rest), len(SEGMENTS)))
    columns = np.array([SEGMENTS.index(_segment(b)) for b in bones])
    np.add.at(
        weights,
        (np.arange(len(rest))[:, None], columns[model.vertex_bone_indices.numpy()]),
        model.vertex_bone_weights.numpy().astype(float),
    )
    weights /= weights.sum(1, keepdims=True)
    return Body(rest, model.faces.numpy().astype(np.int32), weights, _pivots(bones, heads, tails))


def save_bodies(path: Path, bodies: list[Body]) -> None:
    """Store bodies so that clips can be rendered where the body model is not installed."""
    first = bodies[0]
    np.savez_compressed(
        path,
        vertices=np.stack([b.vertices for b in bodies]).astype(np.float32),
        pivots=np.stack([np.stack(list(b.pivots.values())) for b in bodies]).astype(np.float32),
        names=np.array(list(first.pivots)),
        triangles=first.triangles,
        weights=first.weights.astype(np.float16),
    )


def load_bodies(path: Path) -> list[Body]:
    """Bodies stored by `save_bodies`."""
    with np.load(path) as d:
        names = [str(n) for n in d["names"]]
        weights, triangles = d["weights"].astype(float), d["triangles"]
        return [
            Body(v.astype(float), triangles, weights, dict(zip(names, p.astype(float), strict=True)))
            for v, p in zip(d["vertices"], d["pivots"], strict=True)
        ]


def main() -> None:
    """Command line."""
    from sample_clips.rendering.person import phenotype

    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("out", type=Path)
    parser.add_argument("--people", type=int, default=100)
    parser.add_argument("--seed", type=int, default=500_000)
    a = parser.parse_args()
    seeds = range(a.seed, a.seed + a.people)
    save_bodies(a.out, [make_body(**phenotype(np.random.default_rng(seed))) for seed in seeds])


if __name__ == "__main__":
    main()
