"""The page of two sessions side by side: the same repetition then and now, both videos in step."""

from collections import defaultdict
from collections.abc import Iterator
from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from sqlalchemy.orm import Session

from analysis import cautions
from analysis.progress.change import written
from analysis.records import Repetition, Report
from service import clips, review
from service.api.deps import Db, TheClip, ThenClip, Viewer
from service.errors import NotFound
from service.pages.clip import may_watch, warned
from service.pages.view import Page, page
from service.records.clips import ClipOut
from service.store.models import Clip, Person

router = APIRouter(route_class=Page, default_response_class=HTMLResponse)
Pair = tuple[Repetition, Repetition]


@router.get("/clips/{clip_id}/beside")
def beside_page(request: Request, db: Db, person: Viewer, clip: TheClip, then: ThenClip) -> Response:
    """A clip beside another of its exercise: the one named as `then`, else the first there is."""
    others = _others(db, clip)
    if then is None and others:
        return RedirectResponse(f"/clips/{clip.id}/beside?then={others[0].id}", 303)
    if then is not None and then.id not in {other.id for other in others}:
        raise NotFound("clip of this exercise to compare with")
    old, new = sorted([then or clip, clip], key=lambda c: c.created_at)
    return page(
        request,
        "beside.html",
        person,
        clip=clips.described(db, clip),
        client=db.get_one(Person, clip.client_id),
        others=others,
        then=then,
        shown=[_shown(db, person, one) for one in (old, new)],
        days=[written(one.created_at) for one in (old, new)],
        pairs=list(pairs(_decided(db, old), _decided(db, new))) if then else [],
        cautions=cautions.load().caution,
        **warned(db, clip, review.without_curves(db, clip)),
    )


def pairs(old: Report, new: Report) -> Iterator[Pair]:
    """The first complete repetition of a side then and now, the second, ...; in the order of now."""
    waiting: dict[tuple[str, str | None], list[Repetition]] = defaultdict(list)
    for rep in old.repetitions:
        if rep.complete:
            waiting[rep.side, rep.direction].append(rep)
    for rep in new.repetitions:
        if rep.complete and (same := waiting[rep.side, rep.direction]):
            yield same.pop(0), rep


def _others(db: Session, clip: Clip) -> list[ClipOut]:
    """The client's other usable clips of this exercise, oldest first."""
    every = reversed(clips.of_client(db, clip.client_id))
    return [
        c for c in every if c.exercise == clip.exercise and c.id != clip.id and c.summary and c.summary.usable
    ]


def _shown(db: Session, person: Person, clip: Clip) -> dict[str, Any]:
    told = clips.described(db, clip)
    return {"id": clip.id, "watch": told.review_video and may_watch(db, person, clip)}


def _decided(db: Session, clip: Clip) -> Report:
    """The report without the findings that were dismissed."""
    return review.without(review.without_curves(db, clip), review.dismissed(review.of_clip(db, clip)))
