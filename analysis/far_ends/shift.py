"""How the body lies differently at the far ends of two repetitions: what moved between the two pictures."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np

from analysis.far_ends.window import CELL_PX, CELLS, PX_PER_SCALE, Image, Window
from analysis.records import Floats
from analysis.skeleton.features import MIRRORED, USED

_AGREE_PX: Final = 1.0  # there and back again
_PLAIN: Final = 2.0  # grey values: with less texture, nothing can be followed
_PER_SHIFT, _PER_PLACE = 100.0, 4.0  # features of about the same size learn better


@dataclass(frozen=True, eq=False)
class End:
    """The still start or a far end: its grey window (H, W), landmarks px (33, 2) and cm (33, 3), and their
    visibility (33,)."""

    grey: Image
    px: Floats
    cm: Floats
    visibility: Floats


def flow(first: Image, second: Image) -> Floats:
    """Shift (H, W, 2) [px] of every pixel of the first window to the second."""
    method = cv2.DISOpticalFlow.create(cv2.DISOPTICAL_FLOW_PRESET_MEDIUM)
    return np.asarray(method.calc(first, second, np.zeros((*first.shape, 2), np.float32)))


def cells(there: Floats, back: Floats, grey: Image) -> Floats:
    """(14, 10, 4), for each cell of the window: shift along and across the trunk [shares of the scale], the
    share of its pixels that can be followed there and back, and its texture."""
    rows, columns = np.mgrid[: grey.shape[0], : grey.shape[1]].astype(np.float32)
    across, down = np.moveaxis(there.astype(np.float32), 2, 0)
    returned = cv2.remap(back.astype(np.float32), columns + across, rows + down, cv2.INTER_LINEAR)
    agrees = np.exp(-((np.linalg.norm(there + returned, axis=2) / _AGREE_PX) ** 2))
    grey = grey.astype(np.float32)
    texture = np.hypot(cv2.Sobel(grey, cv2.CV_32F, 1, 0), cv2.Sobel(grey, cv2.CV_32F, 0, 1)) / 8
    weight = agrees * texture + 1e-3
    total = _summed(weight)
    shift = [_summed(weight * there[..., k]) / total / PX_PER_SCALE for k in range(2)]
    area = CELL_PX * CELL_PX
    out = [*shift, _summed(agrees) / area, np.log(_summed(texture) / area + _PLAIN)]
    return np.stack(out, axis=2)


def _summed(values: Floats) -> Floats:
    """Sums (14, 10) over the cells of values (240, 336); the first axis goes along the trunk."""
    parts = values.reshape(CELLS[1], CELL_PX, CELLS[0], CELL_PX)
    return np.asarray(parts.sum(axis=(1, 3)).T, float)


@dataclass(frozen=True, eq=False)
class Pair:
    """From one end to another: `moved` (14, 10, 4) as told by `cells`; landmarks of the first, `place`
    (19, 2) and visibility (19,); their change, `shift` (19, 2) [shares of the scale] and `shift_cm` (19, 3);
    `camera` (3, 3): mat frame to along, across and away; and the working side, +1 left, -1 right, 0 both."""

    moved: Floats
    place: Floats
    visibility: Floats
    shift: Floats
    shift_cm: Floats
    camera: Floats
    side: float

    def features(self) -> Floats:
        """One row (F,) for the network."""
        moved = self.moved * np.array([_PER_SHIFT, _PER_SHIFT, 1.0, 1.0])
        return np.concatenate([
            moved.ravel(), _PER_PLACE * self.place.ravel(), self.visibility, _PER_SHIFT * self.shift.ravel(),
            self.shift_cm.ravel(), self.camera.ravel(), [self.side],
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
