"""Colours and shapes of reports, videos and pages: one palette, light and dark.

No meaning rests on colour alone: left lines are solid and right ones dashed, verdicts have shapes.
"""

from typing import Final

# name -> (light, dark); every ink reads on `paper` and `sheet` with at least 4.5 : 1 (WCAG 2.2, 1.4.3).
PALETTE: Final[dict[str, tuple[str, str]]] = {
    "paper": ("#eef2f4", "#10161c"),
    "sheet": ("#ffffff", "#1a222b"),
    "ink": ("#1b2733", "#e7edf2"),
    "quiet": ("#4f5f6d", "#a9b8c5"),
    "rule": ("#c3ced6", "#3b4955"),
    "mat": ("#2c5a66", "#8fc6cf"),
    "shade": ("#dfe9ec", "#26333e"),
    "left": ("#1d5fa6", "#86b9f4"),
    "right": ("#9c4a10", "#efa56c"),
    "pelvis": ("#67408f", "#c6a5ea"),
    "sound": ("#1d6a45", "#7fd3a4"),
    "borderline": ("#785a00", "#e2c061"),
    "flagged": ("#a3262f", "#ff9d97"),
    "not_measured": ("#566371", "#a9b6c2"),
}

# Verdicts are told by shape as well: disc, diamond, triangle, open square. Paths about (0, 0), +-7 px.
SHAPES: Final[dict[str, str]] = {
    "sound": "M-6,0A6,6 0 1 1 6,0A6,6 0 1 1 -6,0Z",
    "borderline": "M0,-7L7,0L0,7L-7,0Z",
    "flagged": "M0,-7L7,6L-7,6Z",
    "not_measured": "M-5,-5H5V5H-5Z",
}


def rgb(name: str, *, dark: bool = False) -> tuple[int, int, int]:
    """A colour as red, green, blue, 0-255."""
    code = PALETTE[name][dark]
    return int(code[1:3], 16), int(code[3:5], 16), int(code[5:7], 16)
