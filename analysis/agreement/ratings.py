"""Ratings by people, one repetition a line: report, repetition, rater, verdict, and any measures.

    report,repetition,rater,verdict,range_deg
    toe_tap_2026-03-04,1,anna,sound,41

An empty cell, or `not_measured`, is "cannot tell". Comma, semicolon or tab separate the columns.
"""

import csv
import io
import math
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from analysis.errors import ReportError
from analysis.records import Measures, Report

VERDICTS: Final = ("sound", "borderline", "flagged")  # in order of severity
TOOL: Final = "matline"
MEASURES: Final = tuple(Measures.model_fields)
_NEEDED: Final = ("report", "repetition", "rater", "verdict")


@dataclass(frozen=True)
class Rating:
    """What one rater said of one repetition; None where they could not tell."""

    report: str
    repetition: int
    rater: str
    verdict: str | None
    measures: dict[str, float] = field(default_factory=dict)

    @property
    def subject(self) -> tuple[str, int]:
        """What was rated."""
        return self.report, self.repetition


def read_ratings(path: Path | str) -> list[Rating]:
    """Every rating of a table; raises ReportError that names the line at fault."""
    try:
        text = Path(path).read_text("utf-8-sig")
    except OSError as error:
        raise ReportError(
            f"{path} cannot be read ({error.strerror}). Check the name and the folder."
        ) from error
    except UnicodeDecodeError as error:
        raise ReportError(f"{path} cannot be read as a table. Save it as CSV, UTF-8.") from error
    header, _, body = text.partition("\n")
    separator = max(",;\t", key=header.count)
    rows = csv.DictReader(io.StringIO(f"{header.lower()}\n{body}"), delimiter=separator)
    if missing := [name for name in _NEEDED if name not in (rows.fieldnames or ())]:
        raise ReportError(f"{path} lacks the columns {', '.join(missing)}. It needs {', '.join(_NEEDED)}.")
    ratings = [_rating(row, f"{path}, line {line}") for line, row in enumerate(rows, start=2)]
    if not ratings:
        raise ReportError(f"{path} holds no ratings. Write one line a repetition and rater.")
    _each_once(ratings, path)
    return ratings


def ratings_of(report: Report, name: str) -> list[Rating]:
    """What the tool said of every complete repetition of a report."""
    return [
        Rating(
            name,
            r.index,
            TOOL,
            r.verdict if r.verdict in VERDICTS else None,
            {m: v for m in MEASURES if (v := getattr(r.measures, m)) is not None},
        )
        for r in report.repetitions
        if r.complete
    ]


def _rating(row: dict[str, str], place: str) -> Rating:
    cells = {key: (value or "").strip() for key, value in row.items() if isinstance(key, str)}
    verdict, rater = cells["verdict"].lower(), cells["rater"]
    if verdict not in (*VERDICTS, "not_measured", ""):
        raise ReportError(f"{place}: the verdict {verdict!r} is none of {', '.join(VERDICTS)}. Correct it.")
    if not rater or rater.lower() == TOOL:
        raise ReportError(f"{place}: the rater needs a name, other than {TOOL!r}. Correct it.")
    try:
        measures = {name: _number(cells[name]) for name in MEASURES if cells.get(name)}
    except ValueError as error:
        raise ReportError(f"{place}: {error}. Write numbers as 41 or 41.5.") from error
    if not cells["repetition"].isdecimal():
        raise ReportError(f"{place}: {cells['repetition']!r} is no repetition. Write its number, such as 3.")
    return Rating(
        cells["report"].removesuffix(".json"),
        int(cells["repetition"]),
        rater,
        verdict if verdict in VERDICTS else None,
        measures,
    )


def _number(cell: str) -> float:
    with suppress(ValueError):
        if math.isfinite(value := float(cell.replace(",", "."))):
            return value
    raise ValueError(f"{cell!r} is no number")


def _each_once(ratings: list[Rating], path: Path | str) -> None:
    seen = set()
    for rating in ratings:
        key = (rating.rater, rating.subject)
        if key in seen:
            what = f"repetition {rating.repetition} of {rating.report}"
            raise ReportError(f"{path}: {rating.rater} rated {what} twice. Keep one.")
        seen.add(key)
