"""Pages of one clip: how far it is; the result in plain words; the review."""

from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, Response
from sqlalchemy.orm import Session

from analysis import cautions, plots
from analysis.errors import MatlineError
from analysis.records import Report
from analysis.report import words
from service import access, clips, consent, drawings, review, sessions
from service.api.deps import Db, TheClip, Viewer
from service.jobs import OPEN
from service.pages import plain
from service.pages.view import Page, drawing, page
from service.records.clips import DecisionOut, ReviewOut
from service.store.models import Clip, Person, ProgrammeItem

router = APIRouter(route_class=Page, default_response_class=HTMLResponse)


@router.get("/clips/{clip_id}")
def clip_page(request: Request, db: Db, person: Viewer, clip: TheClip) -> Response:
    """A clip: while it is measured how far it is, then the review, or the result in plain words."""
    shown = clips.described(db, clip)
    if clip.job.state in OPEN or shown.summary is None:
        return page(request, "measuring.html", person, clip=shown)
    found, said = review.without_curves(db, clip), review.of_clip(db, clip)
    data: dict[str, Any] = {
        "clip": shown,
        "client": db.get_one(Person, clip.client_id),
        "report": found,
        "said": said,
        "marks": marks(found, said),
        "set": db.get(ProgrammeItem, clip.item_id) if clip.item_id else None,
        "watch": shown.review_video and may_watch(db, person, clip),
        "advice_withheld": cautions.load().advice_withheld,
        "referrals": cautions.referrals(list(found.session.warning_signs)),
        **warned(db, clip, found),
    }
    if person.is_staff:
        return page(request, "review.html", person, **data, **_drawn(db, clip, set()))
    gone = review.dismissed(said)
    told = _for_client(review.without(found, gone))
    return page(request, "result.html", person, **data | told, **_drawn(db, clip, gone))


def warned(db: Session, clip: Clip, found: Report) -> dict[str, Any]:
    """Whom the client is to see first, where a warning sign is open; and whether advice is withheld."""
    stop = sessions.open_stop(db, clip.client_id)
    return {
        "care": sessions.care(db.get_one(Person, clip.client_id), stop) if stop else None,
        "watched": bool(stop and consent.agreed(db, clip.client_id)),
        "withheld": bool(stop or found.session.warning_signs),
    }


def marks(report: Report, said: ReviewOut) -> list[tuple[plots.Tagged, str, DecisionOut | None]]:
    """Every finding with its tag, its name in the API, and what was decided about it."""
    names = {id(finding): ref for ref, finding in review.finding_refs(report).items()}
    decided = {d.finding: d for d in said.decisions}
    tagged = [(mark, names[id(mark.finding)]) for mark in plots.tagged(report)]
    return [(mark, ref, decided.get(ref)) for mark, ref in tagged]


def _drawn(db: Session, clip: Clip, dismissed: set[str]) -> dict[str, Any]:
    """The drawings without marks of what was dismissed, and where their time ends."""
    told = drawings.of_clip(db, clip, dismissed)
    return {"end_s": told.end_s, "curves": [(d, drawing(d.svg)) for d in told.curves]}


def _for_client(kept: Report) -> dict[str, Any]:
    """The result without what was dismissed, and what is said about it in plain words."""
    return {
        "report": kept,
        "moments": [m for m in plots.tagged(kept) if m.finding.at_s is not None],
        "steady": plain.steady(kept),
        "unseen": [f.message for f in kept.findings if f.kind == "not_measurable"],
        "judged": bool(kept.judged()),
        "cues": words.cues(kept),
    }


def may_watch(db: Session, person: Person, clip: Clip) -> bool:
    """Whether this person may watch the video of a clip."""
    try:
        access.require_watching(db, person, clip)
    except MatlineError:
        return False
    return True
