"""Pages of one clip: how far it is; the result in plain words; the review; range of motion."""

import csv
import io
from typing import Any, Final

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, Response
from sqlalchemy.orm import Session

from analysis import cautions, plots
from analysis.errors import MatlineError
from analysis.records import Repetition, Report
from analysis.report import pdf_printer, words
from service import access, clips, motion, review, sessions
from service.api.deps import Db, Staff, TheClip, Viewer
from service.jobs import OPEN
from service.motion import RangeRow
from service.pages import plain
from service.pages.view import Page, drawing, look, page, text_of
from service.records.clips import DecisionOut, ReviewOut
from service.store.models import Clip, Person

router = APIRouter(route_class=Page, default_response_class=HTMLResponse)
_COLUMNS: Final = (
    "signal", "end", "deg", "half_width_deg", "other_side_deg", "difference_deg", "limit_deg", "beyond",
    "earlier_at", "earlier_deg", "change_deg", "detectable_deg", "changed",
    "reference_deg", "reference_sd_deg", "reference_source",
)  # fmt: skip


@router.get("/clips/{clip_id}")
def clip_page(request: Request, db: Db, person: Viewer, clip: TheClip) -> Response:
    """A clip: while it is measured how far it is, then the review, or the result in plain words."""
    shown = clips.described(db, clip)
    if clip.job.state in OPEN or shown.summary is None:
        return page(request, "measuring.html", person, clip=shown)
    found, said = review.report(db, clip), review.of_clip(db, clip)
    owner = db.get_one(Person, clip.client_id)
    stop = sessions.open_stop(db, clip.client_id)
    data: dict[str, Any] = {
        "clip": shown,
        "client": owner,
        "report": found,
        "said": said,
        "marks": marks(found, said),
        "end_s": _end(found),
        "watch": shown.review_video and _may_watch(db, person, clip),
        "care": sessions.care(owner, stop) if stop else None,
        "withheld": bool(stop or found.session.warning_signs),
        "advice_withheld": cautions.load().advice_withheld,
        "referrals": cautions.referrals(list(found.session.warning_signs)),
    }
    if person.is_staff:
        return page(request, "review.html", person, **data, curves=curves(found))
    return page(request, "result.html", person, **data | _for_client(found, said))


@router.get("/clips/{clip_id}/range")
def range_page(request: Request, db: Db, person: Staff, clip: TheClip) -> Response:
    """Range of motion with uncertainty, the other side, earlier sessions, and references."""
    return page(request, "range.html", person, **_range_data(db, clip))


@router.get("/clips/{clip_id}/range.pdf")
def range_paper(db: Db, _person: Staff, clip: TheClip) -> Response:
    """The same table as a tagged PDF."""
    html = text_of("range_paper.html", look=look(), **_range_data(db, clip))
    body = pdf_printer()(string=html).write_pdf(pdf_variant="pdf/ua-1")
    return _file(clip, body, "application/pdf", "pdf")


@router.get("/clips/{clip_id}/range.csv")
def range_csv(db: Db, _person: Staff, clip: TheClip) -> Response:
    """The same table as CSV, one row an end of a joint's motion, one group of columns a comparison."""
    text = io.StringIO()
    writer = csv.writer(text)
    writer.writerow(_COLUMNS)
    for row in motion.table(db, clip):
        writer.writerow(_cells(row))
    return _file(clip, text.getvalue().encode(), "text/csv", "csv")


@router.get("/clips/{clip_id}/range.json")
def range_json(db: Db, _person: Staff, clip: TheClip) -> Response:
    """The same table as JSON, as the API gives it."""
    rows = ",".join(row.model_dump_json() for row in motion.table(db, clip))
    return _file(clip, f"[{rows}]".encode(), "application/json", "json")


def marks(report: Report, said: ReviewOut) -> list[tuple[plots.Tagged, str, DecisionOut | None]]:
    """Every finding with its tag, its name in the API, and what was decided about it."""
    names = {id(finding): ref for ref, finding in review.finding_refs(report).items()}
    decided = {d.finding: d for d in said.decisions}
    tagged = [(mark, names[id(mark.finding)]) for mark in plots.tagged(report)]
    return [(mark, ref, decided.get(ref)) for mark, ref in tagged]


def curves(report: Report) -> list[tuple[plots.Panel, Any]]:
    """The drawings of the report's curves."""
    return [(panel, drawing(plots.curve(report, panel))) for panel in plots.panels(report)]


def without(report: Report, dismissed: set[str]) -> Report:
    """The report without the findings that a coach or physio dismissed."""
    gone = {id(f) for ref, f in review.finding_refs(report).items() if ref in dismissed}

    def kept(r: Repetition) -> Repetition:
        findings = tuple(f for f in r.findings if id(f) not in gone)
        cleared = r.verdict == "flagged" and not findings  # then nothing speaks against it any more
        return r.model_copy(update={"findings": findings} | ({"verdict": "sound"} if cleared else {}))

    repetitions = tuple(map(kept, report.repetitions))
    findings = tuple(f for f in report.findings if id(f) not in gone)
    return report.model_copy(update={"repetitions": repetitions, "findings": findings})


def _range_data(db: Session, clip: Clip) -> dict[str, Any]:
    rows = motion.table(db, clip)
    dates = sorted({c.at for r in rows for c in r.earlier if c.at}, reverse=True)
    return {
        "clip": clips.described(db, clip),
        "rows": [(r, [{c.at: c for c in r.earlier}.get(at) for at in dates]) for r in rows],
        "dates": dates,
        "caution": motion.CAUTION,
        "notes": sessions.notes(db, clip),
        "cautions": cautions.load().caution,
    }


def _cells(row: RangeRow) -> list[Any]:
    other, before, known = row.other_side, next(iter(row.earlier), None), row.reference
    return [
        *(row.signal, row.end, row.value, row.half_width),
        *((other.other, other.difference, other.limit, other.real) if other else [""] * 4),
        *((before.at, before.other, before.difference, before.limit, before.real) if before else [""] * 5),
        *((known.mean, known.sd, known.source) if known else [""] * 3),
    ]


def _file(clip: Clip, body: bytes, media: str, ending: str) -> Response:
    name = f'attachment; filename="range-{clip.exercise}-{clip.created_at:%Y-%m-%d}.{ending}"'
    return Response(body, media_type=media, headers={"Content-Disposition": name})


def _for_client(found: Report, said: ReviewOut) -> dict[str, Any]:
    """The result without what was dismissed, and what is said about it in plain words."""
    kept = without(found, {d.finding for d in said.decisions if not d.accepted})
    return {
        "report": kept,
        "curves": curves(kept),
        "moments": [m for m in plots.tagged(kept) if m.finding.at_s is not None],
        "steady": plain.steady(kept),
        "unseen": [f.message for f in kept.findings if f.kind == "not_measurable"],
        "judged": bool(kept.judged()),
        "cues": words.cues(kept),
    }


def _may_watch(db: Session, person: Person, clip: Clip) -> bool:
    try:
        access.require_watching(db, person, clip)
    except MatlineError:
        return False
    return True


def _end(report: Report) -> float:
    """Where the curves end [s]."""
    times = [t for t in report.series.get("time_s", ()) if t is not None]
    return times[-1] if times else report.clip.duration_s
