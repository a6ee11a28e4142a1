"""Shape of the card: a small roof of two faces with four tags, held in shape by its back panel.

A flat card seen face-on hides its turns out of the picture plane: they change it only to second
order, and two poses mirror each other. Two sloping faces give every axis a first-order change and
leave one pose only.

Card frame [cm]: origin in the middle of the back panel; x across the roof, y along the ridge, z out
of the back panel towards the ridge. Seen from the front with y up, x points right.
Tags are of the AprilTag 16h5 family (Olson 2011, ICRA: 3400), which OpenCV's aruco module detects: its
few large cells can be read at 3.5 m in 720p, where 36h11 often cannot. Its weaker code is no risk here:
a card counts only where the whole printed pattern is found as well.
"""

from functools import cache
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

FACE_CM: Final = 6.0
LENGTH_CM: Final = 11.6
TAG_CM: Final = 4.8
ROW_Y_CM: Final = 2.8
SLOPE_DEG: Final = 40.0
BACK_CM: Final = float(2 * FACE_CM * np.cos(np.radians(SLOPE_DEG)))
CELLS: Final = 6  # of a tag with its black border: 4 x 4 bits

# Numbers in the family: left to right as seen from the front, upper row first, so that each face
# carries one tag of a row. Those with the most edges inside are chosen: edges carry the measurement.
PELVIS_TAGS: Final = (1, 2, 3, 4)
MAT_TAGS: Final = (9, 17, 18, 21)

_FAMILY: Final = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_16H5)


def dictionary() -> cv2.aruco.Dictionary:
    """The tags of both cards alone, for OpenCV's detector: place 0-3 pelvis card, 4-7 mat card."""
    used = _FAMILY.bytesList[list(PELVIS_TAGS + MAT_TAGS)]
    return cv2.aruco.Dictionary(used, _FAMILY.markerSize, 1)


def fold(sheet_cm: Floats, slope_deg: float = SLOPE_DEG) -> Floats:
    """Points of the flat sheet (N, 2) [cm, origin on the ridge, y along it] in the card frame (N, 3)."""
    slope = np.radians(slope_deg)
    x, y = sheet_cm[:, 0], sheet_cm[:, 1]
    return np.column_stack([x * np.cos(slope), y, (FACE_CM - np.abs(x)) * np.sin(slope)])


def tag_centres_cm() -> Floats:
    """Centres of the four tags on the flat sheet, (4, 2) [cm], in the order of the tag ids."""
    x, y = FACE_CM / 2, ROW_Y_CM
    return np.array([[-x, y], [x, y], [-x, -y], [x, -y]])


def tag_corners_cm(slope_deg: float = SLOPE_DEG) -> Floats:
    """Corners of the four tags in the card frame, (4, 4, 3) [cm], each clockwise from its upper left."""
    half = TAG_CM / 2
    square = np.array([[-half, half], [half, half], [half, -half], [-half, -half]])
    sheet = tag_centres_cm()[:, None, :] + square[None, :, :]
    return fold(sheet.reshape(-1, 2), slope_deg).reshape(4, 4, 3)


def faces_cm(slope_deg: float = SLOPE_DEG) -> Floats:
    """Corners of the two faces in the card frame, (2, 4, 3) [cm], each clockwise from its upper left.

    The left face shows the left half of `board_image`, the right face the right half.
    """
    y = LENGTH_CM / 2
    spans = ((-FACE_CM, 0.0), (0.0, FACE_CM))
    sheet = np.array([[[a, y], [b, y], [b, -y], [a, -y]] for a, b in spans])
    return fold(sheet.reshape(-1, 2), slope_deg).reshape(2, 4, 3)


@cache
def tag_cells(tag: int) -> NDArray[np.bool_]:
    """Cells of a tag with its border, (6, 6): True is black, row 0 at the top."""
    black: NDArray[np.bool_] = cv2.aruco.generateImageMarker(_FAMILY, tag, CELLS) == 0
    return black


def _sheet_image(tags: tuple[int, ...], px_per_cm: float) -> NDArray[np.uint8]:
    """The two faces laid flat, grey (LENGTH, 2 FACE) [cm] at the given scale."""
    rows, columns = round(LENGTH_CM * px_per_cm), round(2 * FACE_CM * px_per_cm)
    y = LENGTH_CM / 2 - (np.arange(rows) + 0.5) / px_per_cm
    x = (np.arange(columns) + 0.5) / px_per_cm - FACE_CM
    image = np.full((rows, columns), 255, np.uint8)
    cell = TAG_CM / CELLS
    for tag, (cx, cy) in zip(tags, tag_centres_cm(), strict=True):
        row = np.floor((cy + TAG_CM / 2 - y) / cell).astype(int)
        column = np.floor((x - cx + TAG_CM / 2) / cell).astype(int)
        inside_rows, inside_columns = (np.flatnonzero((i >= 0) & (i < CELLS)) for i in (row, column))
        black = tag_cells(tag)[np.ix_(row[inside_rows], column[inside_columns])]
        image[np.ix_(inside_rows, inside_columns)] = np.where(black, 0, 255)
    return image


def board_image(px_per_cm: float = 40.0) -> NDArray[np.uint8]:
    """The pelvis card's two faces laid flat, grey uint8, row 0 at +y; the ridge is the middle column."""
    return _sheet_image(PELVIS_TAGS, px_per_cm)


def mat_board_image(px_per_cm: float = 40.0) -> NDArray[np.uint8]:
    """The mat card's two faces laid flat; see `board_image`."""
    return _sheet_image(MAT_TAGS, px_per_cm)
