"""The two printed cards as they are worn and stood: folded to a roof, with their print on it."""

from __future__ import annotations

from functools import cache

import numpy as np

from analysis.card import board_image, faces_cm, mat_board_image
from sample_clips.rendering.body import Floats
from sample_clips.rendering.scene import CARD, Picture, quad

PELVIS_CARD, MAT_CARD = 0, 1  # places in `sheet`, from the top
_PX_PER_CM = 40.0


@cache
def sheet() -> Picture:
    """Both prints laid flat, one below the other (H, W), grey."""
    return np.vstack([board_image(_PX_PER_CM), mat_board_image(_PX_PER_CM)])


def roof(at: Floats, axes: Floats, card: int) -> Floats:
    """Triangles (12, 10) of a folded card in the world: its place (3,) [m] and axes (3, 3), see `card.design`."""
    bottom = (1 - card) / 2
    faces = []
    for number, corners_cm in enumerate(faces_cm()):
        upper_left, upper_right, lower_right, lower_left = at + corners_cm / 100 @ axes.T
        u, v = (upper_right - upper_left) / 2, (upper_left - lower_left) / 2
        face = quad((upper_left + lower_right) / 2, u, v, CARD, unit_rest=True)
        face[:, 6:8] = face[:, 6:8] / 2 + [number / 2, bottom]
        faces.append(face)
    return np.vstack(faces)
