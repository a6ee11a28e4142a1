"""Routes of clients: list, programme, targets, proposals, sessions, the audit trail of one client."""

from datetime import date

from fastapi import APIRouter

from analysis.progress import Progress
from service import access, audit, programmes, results, sessions
from service.api.deps import (
    Db,
    PathId,
    SelfClient,
    Staff,
    TheClient,
    TheItem,
    TheProposal,
    TheSession,
    Viewer,
)
from service.api.me import described_audit
from service.records.accounts import AuditOut, PersonOut
from service.records.programme import (
    DecideIn,
    ProgrammeItemIn,
    ProgrammeItemOut,
    ProposalIn,
    ProposalOut,
    TargetIn,
    TargetOut,
)
from service.records.sessions import BeforeOut, ClearIn, EndIn, PainLimitIn, SessionOut, StartIn, TodayOut
from service.store.models import Person

router = APIRouter()


@router.get("/clients", tags=["clients"])
def clients(db: Db, person: Viewer) -> list[PersonOut]:
    """Clients whom I may see."""
    return [PersonOut.model_validate(row) for row in access.clients_of(db, person)]


@router.get("/clients/{client_id}", tags=["clients"])
def client(client: TheClient) -> PersonOut:
    """One client."""
    return PersonOut.model_validate(client)


@router.get("/clients/{client_id}/audit", tags=["clients"])
def client_audit(db: Db, client: TheClient) -> list[AuditOut]:
    """Who saw or changed what of this client."""
    return described_audit(db, audit.about(db, client))


# ------------------------------------------------------------------------------- programme


@router.get("/clients/{client_id}/programme", tags=["programme"])
def programme(db: Db, client: TheClient, ended: bool = False) -> list[ProgrammeItemOut]:
    """What the client is to do."""
    return [ProgrammeItemOut.model_validate(i) for i in programmes.items(db, client.id, ended=ended)]


@router.get("/clients/{client_id}/today", tags=["programme"])
def today(db: Db, client: TheClient, day: date | None = None) -> TodayOut:
    """What the client is to do on a day; while a warning sign is open, only whom to call."""
    return programmes.today(db, client, day or date.today())


@router.post("/clients/{client_id}/programme", status_code=201, tags=["programme"])
def add_item(data: ProgrammeItemIn, db: Db, person: Staff, client: TheClient) -> ProgrammeItemOut:
    """Add an exercise to the programme."""
    return ProgrammeItemOut.model_validate(programmes.add_item(db, person, client, data))


@router.put("/programme/{item_id}", tags=["programme"])
def change_item(data: ProgrammeItemIn, db: Db, person: Staff, item: TheItem) -> ProgrammeItemOut:
    """Change an exercise of the programme."""
    return ProgrammeItemOut.model_validate(programmes.change_item(db, person, item, data))


@router.delete("/programme/{item_id}", status_code=204, tags=["programme"])
def end_item(db: Db, person: Staff, item: TheItem) -> None:
    """Take an exercise out of the programme."""
    programmes.end_item(db, person, item)


@router.get("/clients/{client_id}/targets", tags=["programme"])
def targets(db: Db, client: TheClient) -> list[TargetOut]:
    """Targets that are this client's own."""
    return [TargetOut.model_validate(row) for row in programmes.targets(db, client.id)]


@router.put("/clients/{client_id}/targets", tags=["programme"])
def set_target(data: TargetIn, db: Db, person: Staff, client: TheClient) -> TargetOut:
    """Set a target for this client, in place of the common one."""
    return TargetOut.model_validate(programmes.set_target(db, person, client, data))


@router.delete("/clients/{client_id}/targets/{target_id}", status_code=204, tags=["programme"])
def drop_target(target_id: PathId, db: Db, person: Staff, client: TheClient) -> None:
    """Go back to the common target."""
    programmes.drop_target(db, person, client, target_id)


@router.get("/clients/{client_id}/proposals", tags=["programme"])
def proposals(db: Db, client: TheClient) -> list[ProposalOut]:
    """Proposals to make something easier or harder."""
    return [ProposalOut.model_validate(row) for row in programmes.proposals(db, client.id)]


@router.post("/programme/{item_id}/proposals", status_code=201, tags=["programme"])
def propose(data: ProposalIn, db: Db, person: Staff, item: TheItem) -> ProposalOut:
    """Propose an easier or harder form; nothing changes until it is confirmed."""
    return ProposalOut.model_validate(programmes.propose(db, person, item, data))


@router.post("/proposals/{proposal_id}", tags=["programme"])
def decide(data: DecideIn, db: Db, person: Staff, proposal: TheProposal) -> ProposalOut:
    """Confirm or decline a proposal."""
    return ProposalOut.model_validate(programmes.decide(db, person, proposal, data.state))


@router.get("/clients/{client_id}/progress", tags=["programme"])
def client_progress(db: Db, client: TheClient) -> Progress:
    """Results over weeks: series, real changes, remarks, proposals for a coach."""
    return results.over_weeks(db, client)


# -------------------------------------------------------------------------------- sessions


@router.get("/before-session", tags=["sessions"])
def before_session(_person: Viewer) -> BeforeOut:
    """Cautions, the pain question and the warning-sign questions, to ask before a session."""
    return sessions.questions()


@router.get("/clients/{client_id}/sessions", tags=["sessions"])
def client_sessions(db: Db, client: TheClient) -> list[SessionOut]:
    """The client's sessions, newest first."""
    return [sessions.described(client, row) for row in sessions.latest(db, client.id)]


@router.put("/clients/{client_id}/pain-limit", status_code=204, tags=["sessions"])
def set_pain_limit(data: PainLimitIn, db: Db, person: Staff, client: TheClient) -> None:
    """Set from which pain on this client's sessions do not start."""
    sessions.set_pain_limit(db, person, client, data.pain)


@router.post("/sessions", status_code=201, tags=["sessions"])
def start_session(data: StartIn, db: Db, person: SelfClient) -> SessionOut:
    """Start a session; with a warning sign or strong pain it ends at once and says whom to call."""
    return sessions.described(person, sessions.start(db, person, data))


@router.get("/sessions/{session_id}", tags=["sessions"])
def session(db: Db, session: TheSession) -> SessionOut:
    """One session."""
    return sessions.described(db.get_one(Person, session.client_id), session)


@router.post("/sessions/{session_id}/end", tags=["sessions"])
def end_session(data: EndIn, db: Db, person: SelfClient, session: TheSession) -> SessionOut:
    """End a session with the pain felt now."""
    return sessions.described(person, sessions.end(db, person, session, data.pain_after))


@router.post("/sessions/{session_id}/clear", tags=["sessions"])
def clear_warning(data: ClearIn, db: Db, person: Staff, session: TheSession) -> SessionOut:
    """A coach or physio has seen to the warning sign of a session."""
    owner = db.get_one(Person, session.client_id)
    return sessions.described(owner, sessions.clear(db, person, session, data.note))
