"""The strip below the picture: repetition, side and verdict, and each finding's words as it happens."""

from functools import lru_cache
from typing import Final

import cv2
import numpy as np

from analysis.palette import rgb
from analysis.plots import Tagged, tagged
from analysis.records import Repetition, Report
from analysis.report.words import near, told, words
from analysis.video import Image

BEFORE_S, AFTER_S = 0.3, 2.5  # a finding's words stand from just before it, long enough to be read
LINES: Final = 4
REGULAR, BOLD = 400, 600
# Shapes of the verdicts about (0, 0), as on the page; in units of the text's height.
CORNERS: Final[dict[str, tuple[tuple[float, float], ...]]] = {
    "borderline": ((0, -0.5), (0.5, 0), (0, 0.5), (-0.5, 0)),
    "flagged": ((0, -0.5), (0.5, 0.45), (-0.5, 0.45)),
    "not_measured": ((-0.4, -0.4), (0.4, -0.4), (0.4, 0.4), (-0.4, 0.4)),
}


class Captions:
    """Strips for the pictures of one clip; equal moments share one drawing."""

    def __init__(self, report: Report) -> None:
        self._report = report
        self._found = [(m.finding.at_s, m) for m in tagged(report) if m.finding.at_s is not None]
        self._drawn = lru_cache(maxsize=4)(self._draw)

    def strip(self, picture: Image, time_s: float) -> Image:
        """Strip of the picture's width, for a time in the clip [s]."""
        current = next((r for r in self._report.repetitions if r.start_s <= time_s <= r.end_s), None)
        said = tuple(_words(m) for s, m in self._found if s - BEFORE_S <= time_s <= s + AFTER_S)
        if current and current.near:
            said = (near(current).capitalize(), *said)
        return self._drawn(picture.shape[1], min(picture.shape[:2]), current, said)

    def _draw(self, width: int, short: int, current: Repetition | None, said: tuple[str, ...]) -> Image:
        size = max(16, short // 26)  # read on a phone, too, where the picture is a hand wide
        step = round(1.45 * size)
        strip = np.full((LINES * step + size, width, 3), rgb("paper", dark=True), np.uint8)
        y = step
        if current:
            _verdict(strip, current, size, y)
        for line in [part for text in said for part in _wrapped(text, width - 2 * size, size)][: LINES - 1]:
            y += step
            _write(strip, line, (size, y), size, "ink", REGULAR)
        return strip


def _words(mark: Tagged) -> str:
    return f"{mark.tag}  {told(mark.finding)}"


def _verdict(strip: Image, rep: Repetition, size: int, y: int) -> None:
    side = "" if rep.side == "both" else f" {rep.side}"
    end = _write(strip, f"Repetition {rep.index}{side}", (size, y), size, "ink", BOLD)
    middle = np.array([end + 1.5 * size, y - 0.35 * size])
    colour = rgb(rep.verdict, dark=True)
    if rep.verdict == "sound":
        cv2.circle(strip, tuple(middle.astype(int).tolist()), size // 2, colour, cv2.FILLED, cv2.LINE_AA)
    else:
        outline = (middle + np.array(CORNERS[rep.verdict]) * size).round().astype(np.int32)
        if rep.verdict == "not_measured":
            cv2.polylines(strip, [outline], True, colour, 2, cv2.LINE_AA)
        else:
            cv2.fillPoly(strip, [outline], colour, cv2.LINE_AA)
    _write(strip, words()["verdict"][rep.verdict], (round(end + 2.4 * size), y), size, rep.verdict, BOLD)


def _font() -> "cv2.FontFace":
    return cv2.FontFace("sans")


def _write(strip: Image, text: str, at: tuple[int, int], size: int, role: str, weight: int) -> int:
    """Write text from its left end on the line; returns where it ends [px]."""
    end, _ = cv2.putText(strip, text, at, rgb(role, dark=True), _font(), size, weight)
    return int(end[0])


def _wrapped(text: str, room: int, size: int) -> list[str]:
    lines = [""]
    for word in text.split(" "):
        longer = f"{lines[-1]} {word}".strip()
        width = cv2.getTextSize((0, 0), longer, (0, 0), _font(), size, REGULAR)[2]
        lines = [*lines, word] if width > room and lines[-1] else [*lines[:-1], longer]
    return lines
