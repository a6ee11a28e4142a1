"""The printable page, read by independent PDF readers."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import cv2
import numpy as np
import pytest
from pypdf import PdfReader

from analysis.card import MAT_TAGS, PELVIS_TAGS, write_pdf
from analysis.errors import CardError, ReportError

MM = 72 / 25.4


@pytest.fixture(scope="module")
def pdf(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("card") / "card.pdf"
    write_pdf(path)
    return path


@pytest.mark.parametrize(("paper", "size"), [("A4", (297, 210)), ("Letter", (279.4, 215.9))])
def test_each_card_has_one_sheet_of_the_paper(paper: str, size: tuple[float, float], tmp_path: Path) -> None:
    write_pdf(tmp_path / "card.pdf", paper)
    pages = PdfReader(tmp_path / "card.pdf").pages
    assert len(pages) == 2
    for page in pages:
        assert (float(page.mediabox.width) / MM, float(page.mediabox.height) / MM) == pytest.approx(
            size, abs=0.1
        )


def test_the_bar_is_ten_centimetres_long(pdf: Path) -> None:
    for page in PdfReader(pdf).pages:
        widths: list[float] = []

        def note(operator: bytes, operands: list[float], cm: list[float], tm: list[float]) -> None:
            if operator == b"re":
                widths.append(abs(float(operands[2]) * cm[0]) / MM)  # noqa: B023 - called within the loop

        page.extract_text(visitor_operand_before=note)
        assert np.isclose(widths, 100, atol=0.05).sum() == 1


def test_the_page_says_how_to_check_it_and_when_not_to_use_it(pdf: Path) -> None:
    for page in PdfReader(pdf).pages:
        text = " ".join(page.extract_text().split())
        assert "must be 10 cm long" in text
        assert "100 %" in text
        assert "Caution" in text
        assert "Stop at once if pain becomes sharp" in text
        assert "does not diagnose" in text


@pytest.mark.skipif(shutil.which("pdftoppm") is None, reason="poppler-utils draws the page")
def test_the_drawn_page_shows_the_tags_in_their_size_and_the_bar(pdf: Path, tmp_path: Path) -> None:
    dpi = 150
    subprocess.run(["pdftoppm", "-r", str(dpi), "-gray", "-png", pdf, tmp_path / "page"], check=True)
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_16H5)
    for sheet, tags in zip(sorted(tmp_path.glob("*.png")), (PELVIS_TAGS, MAT_TAGS), strict=True):
        picture = cv2.imread(str(sheet), cv2.IMREAD_GRAYSCALE)
        corners, found, _ = cv2.aruco.ArucoDetector(family).detectMarkers(picture)
        assert sorted(found.ravel()) == sorted(tags)
        for quad in corners:
            side_mm = np.linalg.norm(quad[0][1] - quad[0][0]) / dpi * 25.4
            assert side_mm == pytest.approx(48, abs=0.4)
        thick = cv2.erode((picture < 80).astype(np.uint8), np.ones((7, 1)))  # outlines are thinner than 1 mm
        longest = max(_longest_run(row) for row in thick) / dpi * 25.4
        assert longest == pytest.approx(100, abs=0.4), "the bar is the longest thick line"


def _longest_run(row: np.ndarray) -> int:
    edges = np.flatnonzero(np.diff(np.concatenate([[0], row.astype(int), [0]])))
    return int(np.max(edges[1::2] - edges[::2], initial=0))


def test_wrong_paper_or_place_is_told(tmp_path: Path) -> None:
    with pytest.raises(CardError, match="A4 or Letter"):
        write_pdf(tmp_path / "card.pdf", "A3")
    with pytest.raises(ReportError, match="cannot be written"):
        write_pdf(tmp_path / "missing" / "card.pdf")
    assert not list(tmp_path.iterdir())
