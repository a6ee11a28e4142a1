"""The printed card: its design, the printable page, and finding it in a picture."""

from analysis.card.design import (
    MAT_TAGS,
    PELVIS_TAGS,
    board_image,
    faces_cm,
    mat_board_image,
    tag_corners_cm,
)

__all__ = [
    "MAT_TAGS",
    "PELVIS_TAGS",
    "board_image",
    "faces_cm",
    "mat_board_image",
    "tag_corners_cm",
]
