"""Pages of coach and physio: new clips, clients, one client's programme, the practice."""

from datetime import datetime

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, Response
from sqlalchemy import select
from sqlalchemy.orm import Session

from analysis import cautions, exercises
from analysis.exercises import Prescription
from service import access, audit, clips, consent, exercise_data, invitations, programmes, results, sessions
from service.api.deps import Db, Owner, Staff, TheClient, services_of
from service.api.me import described_audit
from service.pages.view import Page, page
from service.records.programme import ProgrammeItemOut
from service.store.models import Person, PracticeSession

router = APIRouter(route_class=Page, default_response_class=HTMLResponse)


def queue(request: Request, db: Session, person: Person) -> Response:
    """Open warning signs first, then the clips that nobody has reviewed."""
    people = access.clients_of(db, person)
    stopped = sessions.open_stops(db, [client.id for client in people])
    stops = [(client, stopped[client.id]) for client in people if client.id in stopped]
    warned = [(client, sessions.described(client, row), _signs(row)) for client, row in stops]
    waiting = clips.queue_of(db, person)
    shown = {clip.client_id for clip in waiting} | {client.id for client, _ in stops}
    audit.look_at_list(services_of(request).store, db, person, shown, "clip_queue")
    return page(request, "queue.html", person, warned=warned, clips=waiting, any_client=bool(people))


@router.get("/clients")
def clients(request: Request, db: Db, person: Staff) -> Response:
    """The clients who let me see their data, and invitations."""
    people = access.clients_of(db, person)
    last = sessions.newest(db, [client.id for client in people])
    rows = [(client, last.get(client.id)) for client in people]
    audit.look_at_list(services_of(request).store, db, person, set(last), "clients")
    return page(
        request, "clients.html", person, rows=rows, invitations=invitations.open_invitations(db, person)
    )


@router.get("/clients/{client_id}")
def client_page(request: Request, db: Db, person: Staff, client: TheClient) -> Response:
    """One client: programme, targets, steps easier or harder, sessions, clips."""
    rows = sessions.latest(db, client.id, 8)
    items = [ProgrammeItemOut.model_validate(i) for i in programmes.items(db, client.id)]
    held = {item.exercise for item in items}
    return page(
        request,
        "client.html",
        person,
        client=client,
        items=items,
        targets=programmes.targets(db, client.id),
        target_names={name: _target_words(name) for name in Prescription.model_fields},
        proposals=programmes.proposals(db, client.id),
        advised={name: p for name, p in results.advised(db, client).items() if name in held},
        exercises=[exercises.load(name) for name in exercises.names()],
        steps={item.id: _steps(item) for item in items},
        pain_limit=sessions.pain_limit(client),
        pain_common=cautions.load().pain,
        signs={row.id: _signs(row) for row in rows},
        sessions=[sessions.described(client, row) for row in rows],
        clips=clips.of_client(db, client.id, 12),
        may_send="measure" in consent.given(db, client.id),
    )


@router.get("/practice")
def practice(request: Request, db: Db, person: Owner, before: datetime | None = None) -> Response:
    """What the practice has set, its people, and who saw or changed what; `before` goes further back."""
    people = select(Person).where(Person.practice_id == person.practice_id).order_by(Person.name)
    return page(
        request,
        "practice.html",
        person,
        practice=person.practice,
        people=list(db.scalars(people)),
        audit=described_audit(db, audit.of_practice(db, person, before)),
        audit_most=audit.MOST,
    )


def _signs(row: PracticeSession) -> list[str]:
    """The warning-sign questions that were answered with yes."""
    return [s.question for s in cautions.referrals([kind for kind, yes in row.answers.items() if yes])]


def _target_words(name: str) -> str:
    shown = {
        "range_deg": "Range [degrees]",
        "hold_s": "Hold [seconds]",
        "tempo_s": "Tempo, one way [seconds]",
        "shortest_phase_s": "Shortest way out or back [seconds]",
        "pelvis_deg": "Pelvis may move [degrees]",
    }
    return shown.get(name, name.replace("_", " "))


def _steps(item: ProgrammeItemOut) -> dict[str, list[tuple[str, str]]]:
    """Direction -> forms to which an item can be moved, with what they are called."""
    steps: dict[str, list[tuple[str, str]]] = {}
    for way in exercise_data.DIRECTIONS:
        texts = [form.text for form in exercise_data.forms(item.exercise, way)]
        usual = [("", f"{exercises.load(item.exercise).title} as usual")] if item.form else []
        others = [(text, text) for text in texts if text != item.form]
        steps[way] = ([] if item.form in texts else usual) + others
    return steps
