"""The printed pattern as the matcher sees it: points on the tags, by quarters, and their brightness."""

from __future__ import annotations

from functools import cache
from typing import Final

import cv2
import numpy as np

from analysis.card.design import CELLS, TAG_CM, Floats, fold, tag_cells, tag_centres_cm

PER_CELL: Final = 3  # compared points a side of a cell
SAMPLES: Final = CELLS * PER_CELL + 4  # a side of a tag with two thirds of a cell of its margin all round
QUARTERS: Final = 4  # of a tag, matched each by itself: an arm may cover a part of it


@cache
def _sheet_samples() -> Floats:
    """Where the quarters of the four tags are compared, on the flat sheet, (16, N, 2) [cm]."""
    across = (np.arange(SAMPLES) + 0.5) / SAMPLES - 0.5
    span = TAG_CM / CELLS * SAMPLES / PER_CELL
    x, y = (_quarters(grid) for grid in np.meshgrid(across * span, -across * span))
    return np.asarray(tag_centres_cm()[:, None, None, :] + np.stack([x, y], axis=-1)).reshape(16, -1, 2)


def _quarters(tag: Floats) -> Floats:
    """A tag's samples (SAMPLES, SAMPLES) by quarter, (4, N)."""
    half = SAMPLES // 2
    return np.asarray(tag.reshape(2, half, 2, half).transpose(0, 2, 1, 3).reshape(QUARTERS, -1))


@cache
def samples(slope_deg: float) -> tuple[Floats, Floats]:
    """Compared points (16, N, 3) [cm] and the outward normals (16, 3) of their faces, card frame."""
    points = fold(_sheet_samples().reshape(-1, 2), slope_deg).reshape(16, -1, 3)
    slope = np.radians(slope_deg)
    sides = np.repeat(np.sign(tag_centres_cm()[:, :1]), QUARTERS, axis=0)
    outward = sides * np.array([[np.sin(slope), 0.0, 0.0]])
    return points, outward + np.array([0.0, 0.0, np.cos(slope)])


@cache
def pattern(tag: int, blur_tenths: int) -> Floats:
    """Brightness of a tag's quarters at the compared points, mean 0 and length 1, (4, N); blur in tenths
    of a cell.
    """
    fine, pad = 10, 2
    cells = np.pad(np.where(tag_cells(tag), 0.0, 1.0), pad, constant_values=1.0)
    image = cv2.GaussianBlur(np.kron(cells, np.ones((fine, fine))), (0, 0), max(blur_tenths, 1) / 10 * fine)
    margin = (SAMPLES / PER_CELL - CELLS) / 2
    at = (((np.arange(SAMPLES) + 0.5) / PER_CELL - margin + pad) * fine - 0.5).astype(np.float32)
    values = np.asarray(cv2.remap(image, *np.meshgrid(at, at), cv2.INTER_LINEAR), float)
    return unit_length(_quarters(values))


def unit_length(values: Floats) -> Floats:
    """Rows with mean 0 and length 1; a constant row becomes 0."""
    centred = values - values.mean(axis=1, keepdims=True)
    return np.asarray(centred / np.maximum(np.linalg.norm(centred, axis=1, keepdims=True), 1e-9))
