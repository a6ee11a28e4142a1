"""Pages of range of motion: the table of a clip, on paper, and as files to take along."""

import csv
import io
import json
from collections import Counter
from collections.abc import Iterator
from datetime import datetime
from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, Response
from sqlalchemy.orm import Session

from analysis import cautions
from analysis.report import pdf_printer
from service import clips, motion, sessions
from service.api.deps import Db, Staff, TheClip
from service.motion import RangeRow
from service.pages.view import Page, look, page, text_of
from service.store.models import Clip

router = APIRouter(route_class=Page, default_response_class=HTMLResponse)
_SHOWN = 5  # earlier sessions side by side; the files hold all
# What is measured in degrees says so; `half_width` and `detectable_change` are at 95 %.
COLUMNS = (
    "signal", "end", "session", "measured_at_utc", "value_deg", "half_width_deg",
    "change_since_deg", "detectable_change_deg", "changed",
    "other_side_deg", "side_difference_deg", "detectable_difference_deg", "sides_differ",
    "reference_deg", "reference_sd_deg", "reference_source",
)  # fmt: skip


@router.get("/clips/{clip_id}/range")
def range_page(request: Request, db: Db, person: Staff, clip: TheClip) -> Response:
    """Range of motion with uncertainty, the other side, earlier sessions, and references."""
    return page(request, "range.html", person, **_data(db, clip))


@router.get("/clips/{clip_id}/range.pdf")
def range_paper(db: Db, _person: Staff, clip: TheClip) -> Response:
    """The same table as a tagged PDF."""
    html = text_of("range_paper.html", look=look(), **_data(db, clip))
    body = pdf_printer()(string=html).write_pdf(pdf_variant="pdf/ua-1")
    return _file(clip, body, "application/pdf", "pdf")


@router.get("/clips/{clip_id}/range.csv")
def range_csv(db: Db, _person: Staff, clip: TheClip) -> Response:
    """Every session as CSV: of each end of a joint's motion this clip's row, then one an earlier clip."""
    text = io.StringIO()
    writer = csv.DictWriter(text, COLUMNS, restval="")
    writer.writeheader()
    writer.writerows(_lines(db, clip))
    return _file(clip, text.getvalue().encode(), "text/csv", "csv")


@router.get("/clips/{clip_id}/range.json")
def range_json(db: Db, _person: Staff, clip: TheClip) -> Response:
    """The rows of the CSV as JSON; what a row does not have is null."""
    rows = [dict.fromkeys(COLUMNS) | line for line in _lines(db, clip)]
    return _file(clip, json.dumps(rows, indent=1).encode(), "application/json", "json")


def _data(db: Session, clip: Clip) -> dict[str, Any]:
    rows = motion.table(db, clip)
    dates = sorted({c.at for r in rows for c in r.earlier if c.at}, reverse=True)
    shown = dates[:_SHOWN]
    return {
        "clip": clips.described(db, clip),
        "rows": [(r, [{c.at: c for c in r.earlier}.get(at) for at in shown]) for r in rows],
        "dates": shown,
        "days": Counter(at.date() for at in shown),
        "further": len(dates) - len(shown),
        "caution": motion.CAUTION,
        "notes": sessions.notes(db, clip),
        "cautions": cautions.load().caution,
    }


def _lines(db: Session, clip: Clip) -> Iterator[dict[str, Any]]:
    for row in motion.table(db, clip):
        yield _now(row, clip.created_at)
        for before in row.earlier:
            assert before.at is not None
            yield _of(row, "earlier", before.at, before.other, before.half_width) | {
                "change_since_deg": before.difference,
                "detectable_change_deg": before.limit,
                "changed": before.real,
            }


def _now(row: RangeRow, at: datetime) -> dict[str, Any]:
    line = _of(row, "this", at, row.value, row.half_width)
    if (other := row.other_side) is not None:
        line |= {
            "other_side_deg": other.other,
            "side_difference_deg": other.difference,
            "detectable_difference_deg": other.limit,
            "sides_differ": other.real,
        }
    if (known := row.reference) is not None:
        line |= {"reference_deg": known.mean, "reference_source": known.source}
        line |= {} if known.sd is None else {"reference_sd_deg": known.sd}
    return line


def _of(row: RangeRow, session: str, at: datetime, value: float, half_width: float | None) -> dict[str, Any]:
    when = at.isoformat(timespec="seconds")
    named = {"signal": row.signal, "end": row.end, "session": session, "measured_at_utc": when}
    return named | {"value_deg": value, "half_width_deg": half_width}


def _file(clip: Clip, body: bytes, media: str, ending: str) -> Response:
    name = f'attachment; filename="range-{clip.exercise}-{clip.created_at:%Y-%m-%d}.{ending}"'
    return Response(body, media_type=media, headers={"Content-Disposition": name})
