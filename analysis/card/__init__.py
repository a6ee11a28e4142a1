"""The printed card: its design, the printable page, and finding it in a picture.

write_pdf                     the page to print
CardReader, Sighting, find    the cards in a clip, or in one picture
board_image, mat_board_image, faces_cm    what a picture of a card shows, for renderers and tests
"""

from analysis.card.design import MAT_TAGS, PELVIS_TAGS, board_image, faces_cm, mat_board_image
from analysis.card.page import write_pdf
from analysis.card.pose import CardPose
from analysis.card.reader import FOCAL_SHARE, CardReader, Sighting, find

__all__ = [
    "FOCAL_SHARE",
    "MAT_TAGS",
    "PELVIS_TAGS",
    "CardPose",
    "CardReader",
    "Sighting",
    "board_image",
    "faces_cm",
    "find",
    "mat_board_image",
    "write_pdf",
]
