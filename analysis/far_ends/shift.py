"""How things moved between two pictures, in small cells of the window."""

from __future__ import annotations

from typing import Final

import cv2
import numpy as np

from analysis.far_ends.window import CELL_PX, CELLS, PX_PER_SCALE, Image
from analysis.records import Floats

_AGREE_PX: Final = 1.0  # there and back again
LEAST_STEP: Final = 2.0  # grey values: with less texture, nothing can be followed


def flow(first: Image, second: Image) -> Floats:
    """Shift (H, W, 2) [px] of every pixel of the first window to the second."""
    method = cv2.DISOpticalFlow.create(cv2.DISOPTICAL_FLOW_PRESET_MEDIUM)
    return np.asarray(method.calc(first, second, np.zeros((*first.shape, 2), np.float32)))


def cells(there: Floats, back: Floats, grey: Image) -> Floats:
    """(84, 60, 4), for each cell of the window: shift along and across the trunk [shares of the scale], the
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
    out = [*shift, _summed(agrees) / area, np.log(_summed(texture) / area + LEAST_STEP)]
    return np.stack(out, axis=2)


def _summed(values: Floats) -> Floats:
    """Sums (84, 60) over the cells of values (240, 336); the first axis goes along the trunk."""
    parts = values.reshape(CELLS[1], CELL_PX, CELLS[0], CELL_PX)
    return np.asarray(parts.sum(axis=(1, 3)).T, float)
