"""A client's programme: what to do on which days, targets of their own, and steps up or down."""

from datetime import date
from typing import Literal

from sqlalchemy import bindparam, func, select
from sqlalchemy.orm import Session

from analysis import cautions
from analysis.exercises import Prescription
from service import audit, exercise_data, sessions
from service.errors import Conflict, NotFound
from service.records.programme import ProgrammeItemIn, ProgrammeItemOut, ProposalIn, TargetIn
from service.records.sessions import TodayOut
from service.store.columns import now
from service.store.models import Clip, Person, PracticeSession, ProgrammeItem, Proposal, Target

_EVERY_ITEM = (
    select(ProgrammeItem)
    .where(ProgrammeItem.client_id == bindparam("client"))
    .order_by(ProgrammeItem.position, ProgrammeItem.created_at)
)
_ITEMS = _EVERY_ITEM.where(ProgrammeItem.ended_at.is_(None))
_PROPOSALS = (
    select(Proposal).where(Proposal.client_id == bindparam("client")).order_by(Proposal.created_at.desc())
)
_SENT = (
    select(Clip.item_id, func.count())
    .join(PracticeSession, Clip.session_id == PracticeSession.id)
    .where(Clip.client_id == bindparam("client"), PracticeSession.day == bindparam("day"))
    .where(Clip.item_id.is_not(None))
    .group_by(Clip.item_id)
)


def items(db: Session, client_id: str, *, ended: bool = False) -> list[ProgrammeItem]:
    """The programme in its order; with `ended` also what it held before."""
    return list(db.scalars(_EVERY_ITEM if ended else _ITEMS, {"client": client_id}))


def items_on(db: Session, client_id: str, day: date) -> list[ProgrammeItem]:
    """What the programme holds for one day."""
    return [item for item in items(db, client_id) if day.isoweekday() in item.days]


def add_item(db: Session, by: Person, client: Person, data: ProgrammeItemIn) -> ProgrammeItem:
    """Add an exercise; raises Refused where it is not known."""
    exercise_data.require(data.exercise)
    item = ProgrammeItem(client_id=client.id, created_by=by.id, **data.model_dump())
    db.add(item)
    db.flush()
    audit.record(db, by, client, "changed", "programme", item.id)
    return item


def change_item(db: Session, by: Person, item: ProgrammeItem, data: ProgrammeItemIn) -> ProgrammeItem:
    """Replace what an item says; raises Conflict where it is no longer in the programme."""
    exercise_data.require(data.exercise)
    if item.ended_at is not None:
        raise Conflict("This exercise is no longer in the programme. Add it anew.")
    for name, value in data.model_dump().items():
        setattr(item, name, value)
    audit.record(db, by, db.get(Person, item.client_id), "changed", "programme", item.id)
    return item


def end_item(db: Session, by: Person, item: ProgrammeItem) -> None:
    """Take an exercise out of the programme; what was done with it stays."""
    item.ended_at = item.ended_at or now()
    audit.record(db, by, db.get(Person, item.client_id), "changed", "programme", item.id)


def targets(db: Session, client_id: str, exercise: str | None = None) -> list[Target]:
    """The client's own targets, of all exercises or of one."""
    query = select(Target).where(Target.client_id == client_id)
    if exercise is not None:
        query = query.where(Target.exercise == exercise)
    return list(db.scalars(query.order_by(Target.exercise, Target.name)))


def set_target(db: Session, by: Person, client: Person, data: TargetIn) -> Target:
    """Set one target or tolerance of an exercise for this client, in place of the common one."""
    exercise_data.require_target(data.exercise, data.name, data.value)
    for row in targets(db, client.id, data.exercise):
        if row.name == data.name:
            break
    else:
        row = Target(client_id=client.id, exercise=data.exercise, name=data.name)
        db.add(row)
    row.value, row.created_by, row.created_at = data.value, by.id, now()
    db.flush()
    audit.record(db, by, client, "changed", "target", row.id)
    return row


def drop_target(db: Session, by: Person, client: Person, target_id: str) -> None:
    """Go back to the common target."""
    row = db.get(Target, target_id)
    if row is None or row.client_id != client.id:
        raise NotFound("target")
    db.delete(row)
    audit.record(db, by, client, "changed", "target", target_id)


def prescription(db: Session, clip: Clip) -> Prescription:
    """What was set for a clip: the client's own targets, then what the programme item says."""
    values = {row.name: row.value for row in targets(db, clip.client_id, clip.exercise)}
    item = db.get(ProgrammeItem, clip.item_id) if clip.item_id else None
    if item is not None and item.exercise == clip.exercise:
        told = {"range_deg": item.range_deg, "hold_s": item.hold_s, "tempo_s": item.tempo_s}
        values |= {name: value for name, value in told.items() if value}
    return Prescription.model_validate(values)


def proposals(db: Session, client_id: str) -> list[Proposal]:
    """All proposals for a client, newest first."""
    return list(db.scalars(_PROPOSALS, {"client": client_id}))


def propose(db: Session, by: Person, item: ProgrammeItem, data: ProposalIn) -> Proposal:
    """Propose an easier or harder form for an item; nothing changes before it is confirmed.

    Raises Conflict while a warning sign of the client is open: the programme waits.
    """
    exercise, form = data.exercise or item.exercise, ""
    if data.form is not None:
        exercise, form = exercise_data.resolve_form(item.exercise, data.direction, data.form)
    exercise_data.require(exercise)
    _check_no_stop(db, item.client_id)
    row = Proposal(
        client_id=item.client_id,
        item_id=item.id,
        direction=data.direction,
        exercise=exercise,
        form=form,
        reason=data.reason,
    )
    db.add(row)
    db.flush()
    audit.record(db, by, db.get(Person, item.client_id), "changed", "proposal", row.id)
    return decide(db, by, row, "confirmed") if data.confirmed else row


def decide(db: Session, by: Person, proposal: Proposal, state: Literal["confirmed", "declined"]) -> Proposal:
    """Confirm a proposal, which changes the programme, or decline it."""
    if proposal.state != "proposed":
        raise Conflict("This proposal was decided already.")
    item = db.get(ProgrammeItem, proposal.item_id)
    if item is None or item.ended_at is not None:
        raise Conflict("The exercise is no longer in the programme.")
    if state == "confirmed":
        _check_no_stop(db, item.client_id)
        item.exercise, item.form = proposal.exercise, proposal.form
    proposal.state, proposal.decided_by, proposal.decided_at = state, by.id, now()
    audit.record(db, by, db.get(Person, proposal.client_id), "changed", "proposal", proposal.id)
    return proposal


def today(db: Session, client: Person, day: date) -> TodayOut:
    """The client's day. While a warning sign is open it holds no exercise, only whom to call."""
    stop = sessions.open_stop(db, client.id)
    session = sessions.current(db, client.id, day)
    shown = [] if stop else items_on(db, client.id, day)
    return TodayOut(
        day=day,
        cautions=cautions.load().caution,
        care=sessions.care(client, stop) if stop else None,
        session=sessions.described(client, session) if session else None,
        items=[ProgrammeItemOut.model_validate(item) for item in shown],
        done=_clips_sent(db, client.id, day),
    )


def _clips_sent(db: Session, client_id: str, day: date) -> dict[str, int]:
    """Programme item -> clips of it in the sessions of a day."""
    rows = db.execute(_SENT, {"client": client_id, "day": day})
    return {item: count for item, count in rows if item is not None}


def _check_no_stop(db: Session, client_id: str) -> None:
    if sessions.open_stop(db, client_id) is not None:
        raise Conflict("A warning sign is open. See to it first; the programme waits until then.")
