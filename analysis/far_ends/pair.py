"""How the body lies differently at the far ends of two repetitions, as the networks are told."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from analysis.far_ends.shift import LEAST_STEP, cells, flow
from analysis.far_ends.window import Image, Window, centres
from analysis.landmarks import HIPS, KNEES, SHOULDERS
from analysis.records import Floats
from analysis.skeleton.features import MIRRORED, USED

_PER_SHIFT, PER_PLACE, PER_CELL = 100.0, 4.0, 60.0  # features of about the same size learn better
MOST_MOVED, USUAL_TEXTURE = 12.0, 1.5  # in those sizes; more is a flow that lost its way
# Between which landmarks thighs, trunk and hips lie, and how thick they are [shares of the scale].
LINES: Final = (
    (HIPS[:1], KNEES[:1]), (HIPS[1:], KNEES[1:]), (HIPS, SHOULDERS), (HIPS[:1], HIPS[1:]),
)  # fmt: skip
THICK: Final = 0.04
_BLOCK: Final = 6  # cells each way
_PELVIS: Final = 0.1  # how far round the hips the cloth counts, as a share of the scale


@dataclass(frozen=True, eq=False)
class End:
    """The still start or a far end: its grey window (H, W), landmarks px (33, 2) and cm (33, 3), and their
    visibility (33,)."""

    grey: Image
    px: Floats
    cm: Floats
    visibility: Floats


def coarse(moved: Floats) -> Floats:
    """Means of what moved over blocks of cells (14, 10, 4); of shifts, by how well they can be followed."""
    height, width, kinds = moved.shape
    blocks = moved.reshape(height // _BLOCK, _BLOCK, width // _BLOCK, _BLOCK, kinds)
    agrees = blocks[..., 2:3] + 1e-3
    shift = (blocks[..., :2] * agrees).sum(axis=(1, 3)) / agrees.sum(axis=(1, 3))
    return np.concatenate([_PER_SHIFT * shift, blocks[..., 2:].mean(axis=(1, 3))], axis=2)


def _nearness(first: Floats, second: Floats) -> Floats:
    """From 0 to 1 (84, 60), how near each cell is to the line between two places (2,)."""
    way, cells_at = second - first, centres()
    share = np.clip((cells_at - first) @ way / max(float(way @ way), 1e-6), 0.0, 1.0)
    off = np.linalg.norm(cells_at - first - share[..., None] * way, axis=2)
    return np.asarray(np.exp(-((off / THICK) ** 2)))


@dataclass(frozen=True, eq=False)
class Pair:
    """From one end to another: `moved` (84, 60, 4) as told by `cells`; landmarks of the first, `place`
    (19, 2) and visibility (19,); their change, `shift` (19, 2) [shares of the scale] and `shift_cm` (19, 3);
    `camera` (3, 3): mat frame to along, across and away; and the working side, +1 left, -1 right, 0 both."""

    moved: Floats
    place: Floats
    visibility: Floats
    shift: Floats
    shift_cm: Floats
    camera: Floats
    side: float

    def picture(self) -> Floats:
        """For the network (84, 60, 10): `moved`, places of the cells, how near they are to limbs."""
        shift = np.clip(PER_CELL * self.moved[..., :2], -MOST_MOVED, MOST_MOVED)
        texture = self.moved[..., 3:] - USUAL_TEXTURE
        where = PER_PLACE * centres()
        limbs = [_nearness(*(self._middle(end) for end in line)) for line in LINES]
        return np.concatenate([shift, self.moved[..., 2:3], texture, where, np.stack(limbs, 2)], axis=2)

    def _middle(self, landmarks: Sequence[int]) -> Floats:
        return np.asarray(self.place[[USED.index(k) for k in landmarks]].mean(axis=0))

    def cloth(self) -> float:
        """How much the cloth over the pelvis shows: mean step of brightness from one pixel to the next."""
        away = np.linalg.norm(centres() - self._middle(HIPS), axis=2)
        near = np.exp(-((away / _PELVIS) ** 2))
        return float(np.exp((near * self.moved[..., 3]).sum() / near.sum()) - LEAST_STEP)

    def features(self) -> Floats:
        """One row (F,) for the network: landmarks and, coarsely, what moved."""
        return np.concatenate([
            coarse(self.moved).ravel(), PER_PLACE * self.place.ravel(), self.visibility,
            _PER_SHIFT * self.shift.ravel(), self.shift_cm.ravel(), self.camera.ravel(), [self.side],
        ])  # fmt: skip

    def mirrored(self) -> Pair:
        """The same client in a mirror; pelvic obliquity and rotation change their signs."""
        order = [USED.index(k) for k in MIRRORED]
        across = np.array([1.0, -1.0])
        moved = self.moved[:, ::-1] * np.array([1.0, -1.0, 1.0, 1.0])
        axes = np.array([1.0, -1.0, 1.0])
        return Pair(
            moved, self.place[order] * across, self.visibility[order], self.shift[order] * across,
            self.shift_cm[order] * axes, axes[:, None] * self.camera * np.array([1.0, 1.0, -1.0]), -self.side,
        )  # fmt: skip


def pair(first: End, second: End, at: Window, camera: Floats, side: float) -> Pair:
    """What moved from one end to the other, both cut out `at` one window.

    camera (3, 3): mat frame to camera axes; side: as in `Pair`.
    """
    used = list(USED)
    turned = np.eye(3)
    turned[:2, :2] = at.axes
    return Pair(
        cells(flow(first.grey, second.grey), flow(second.grey, first.grey), first.grey),
        at.place(first.px[used]),
        first.visibility[used],
        (second.px[used] - first.px[used]) @ at.axes.T / at.scale,
        (second.cm[used] - first.cm[used]) @ turned.T,
        turned @ camera,
        side,
    )
