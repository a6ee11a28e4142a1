"""The printable page: one sheet a card, to cut out and fold, with a bar to check the print."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any, Final

from jinja2 import Environment, PackageLoader, StrictUndefined

from analysis import cautions, printing
from analysis.card.design import (
    BACK_CM,
    CELLS,
    FACE_CM,
    LENGTH_CM,
    MAT_TAGS,
    PELVIS_TAGS,
    TAG_CM,
    tag_cells,
    tag_centres_cm,
)
from analysis.errors import CardError

TAB_MM: Final = 14.0
_CHAMFER_MM: Final = 6.0  # of the tab's corners
_SHOWN_CAUTIONS: Final = ("stop", "scope")


@dataclass(frozen=True)
class Paper:
    """A sheet lying on its long side [mm]."""

    width_mm: float
    height_mm: float


PAPERS: Final = {"a4": Paper(297.0, 210.0), "letter": Paper(279.4, 215.9)}  # ISO 216, ANSI Y14.1


def write_pdf(path: Path | str, paper: str = "a4") -> None:
    """Write both cards, a page each, as a tagged PDF; `paper` is A4 or Letter, in any case.

    The file appears only when whole. Raises CardError for a paper unknown, and
    ReportError where it cannot be printed or the place cannot be written.
    """
    sheet = PAPERS.get(paper.lower())
    if sheet is None:
        raise CardError(f"There is no paper {paper}. Choose A4 or Letter, whichever is in your printer.")
    printing.write_pdf(_page(sheet), path)


def _page(paper: Paper) -> str:
    words = _words()
    cards = [("pelvis", PELVIS_TAGS), ("mat", MAT_TAGS)]
    environment = Environment(
        loader=PackageLoader("analysis.card", ""), autoescape=True, undefined=StrictUndefined
    )
    return environment.get_template("page.html").render(
        paper=paper,
        net=_net(),
        cards=[{"words": words[name], "tags": _tag_paths(tags)} for name, tags in cards],
        check=words["check"],
        fold=words["fold"],
        cautions=[_first_caution(kind) for kind in _SHOWN_CAUTIONS],
    )


@cache
def _words() -> dict[str, Any]:
    return tomllib.loads(files("analysis.card").joinpath("words.toml").read_text("utf-8"))


def _first_caution(kind: str) -> str:
    return next(caution.text for caution in cautions.load().caution if caution.kind == kind)


def _net() -> dict[str, Any]:
    """The sheet to cut out [mm], left to right: tab, left face, right face, back."""
    face, back, height = 10 * FACE_CM, round(10 * BACK_CM, 2), 10 * LENGTH_CM
    width, c = TAB_MM + 2 * face + back, _CHAMFER_MM
    return {
        "width": width + 0.5,
        "height": height,
        "outline": f"M{TAB_MM},0H{width}V{height}H{TAB_MM}L0,{height - c}V{c}Z",
        "folds": [TAB_MM, TAB_MM + face, TAB_MM + 2 * face],
        "back_x": TAB_MM + 2 * face + back / 2,
        "tab_x": TAB_MM / 2 + 1,
    }


def _tag_paths(tags: tuple[int, ...]) -> list[dict[str, str]]:
    """SVG paths of the tags in the sheet [mm]: a black square each, and the white cells in it."""
    side = 10 * TAG_CM
    cell = side / CELLS
    paths = []
    for tag, (x_cm, y_cm) in zip(tags, tag_centres_cm(), strict=True):
        left = TAB_MM + 10 * (FACE_CM + x_cm) - side / 2
        top = 10 * (LENGTH_CM / 2 - y_cm) - side / 2
        white = (
            _square(left + column * cell, top + row * cell, cell)
            for row, cells in enumerate(tag_cells(tag))
            for column, black in enumerate(cells)
            if not black
        )
        paths.append({"black": _square(left, top, side), "white": "".join(white)})
    return paths


def _square(x: float, y: float, side: float) -> str:
    return f"M{x:.3f},{y:.3f}h{side:.3f}v{side:.3f}h{-side:.3f}z"
