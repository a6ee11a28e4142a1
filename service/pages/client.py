"""Pages of the client: today, the weeks behind, and who may see what."""

from datetime import date, datetime

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from sqlalchemy.orm import Session

from analysis import cautions
from service import audit, clips, consent, programmes, results, review, sessions
from service.api.deps import Db, SelfClient, TheClient, Viewer
from service.api.me import described_audit, my_consents, my_staff
from service.pages.view import Page, drawing, page
from service.store.models import Person

router = APIRouter(route_class=Page, default_response_class=HTMLResponse)


def today(request: Request, db: Session, person: Person) -> Response:
    """Cautions, then whom to call; or the questions before a session; or today's exercises."""
    if "measure" not in consent.given(db, person.id):
        return RedirectResponse("/privacy", 303)  # a page of its own: it stays until all is decided
    told = programmes.today(db, person, date.today())
    unread = [review.described_feedback(db, row) for row in review.unread(db, person)]
    last = next(iter(sessions.latest(db, person.id, 1)), None)
    ended = sessions.described(person, last) if last and last.day == told.day and last.ended_at else None
    return page(
        request,
        "today.html",
        person,
        today=told,
        unread=[] if told.care else unread,
        ended=ended,
        asked=sessions.questions(),
        pain_limit=sessions.pain_limit(person),
        seen_to=[] if told.session else sessions.seen_to(db, person.id),
        seen_to_text=cautions.load().seen_to.text,
        watched=bool(told.care and consent.agreed(db, person.id)),
        sent=clips.of_session(db, person.id, told.session.id) if told.session else [],
    )


@router.get("/privacy")
def privacy(request: Request, db: Db, person: SelfClient, before: datetime | None = None) -> Response:
    """What I agreed to, who may see my data, who looked; `before` goes further back."""
    return page(
        request,
        "privacy.html",
        person,
        consents=my_consents(db, person),
        staff=my_staff(db, person),
        audit=described_audit(db, audit.about(db, person, before)),
        audit_most=audit.MOST,
        practice=person.practice,
    )


@router.get("/clients/{client_id}/weeks")
def weeks(request: Request, db: Db, person: Viewer, client: TheClient) -> Response:
    """Results over weeks, and every clip."""
    from analysis.progress.trend import trend  # with the statistics, which other pages do not need

    told = results.over_weeks(db, client)
    parts = []
    for part in told.exercises:
        measures = dict.fromkeys(s.measure for s in part.series if len(s.points) > 1)
        sides = {m: [s for s in part.series if s.measure == m and len(s.points) > 1] for m in measures}
        drawings = [(m, series, drawing(trend(series))) for m, series in sides.items()]
        dated = [(p.at, p.name) for s in part.series for p in s.points if p.at]  # named by their clips
        parts.append((part, drawings, [min(dated)[1], max(dated)[1]] if dated else []))
    stop = sessions.open_stop(db, client.id)
    return page(
        request,
        "weeks.html",
        person,
        client=client,
        told=told,
        parts=parts,
        care=sessions.care(client, stop) if stop else None,
        watched=bool(stop and consent.agreed(db, client.id)),
        clips=clips.of_client(db, client.id),
        sessions=[sessions.described(client, row) for row in sessions.latest(db, client.id, 40)],
    )
