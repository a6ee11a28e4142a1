"""What the page of a client proposes is what the whole look over the weeks does, from fewer reports."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from desk import Desk
from standin import report

from analysis.exercises import Prescription
from analysis.records import Measures, Repetition, SessionNotes
from service import accounts, results
from service.measure import Order, slim
from service.store.models import Clip, Job, Person, PracticeSession, StoredReport
from service.store.session import Store

FIRST = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)


@pytest.fixture
def client(store: Store) -> Person:
    with store.write() as db:
        owner = accounts.first_run(db, "P", "coach", "O", "o@example.org", "")
        return accounts.add_person(db, owner.practice_id, "client", "C", "c@example.org", "")


def sitting(
    store: Store, client: Person, day: int, exercise: str, sound: bool, usable: bool, pain: int
) -> None:
    order = Order(Path(), exercise, "both", Prescription(), SessionNotes())
    told = report(order, 9.0)
    one = Repetition(index=1, side="left", start_s=0, turn_s=1, end_s=2, measures=Measures(),
                     verdict="sound" if sound else "flagged")  # fmt: skip
    kept = [one.model_copy(update={"index": i}) for i in range(1, 11)]
    capture = told.capture.model_copy(update={"usable": usable})
    told = told.model_copy(update={"repetitions": tuple(kept), "capture": capture})
    at = FIRST + timedelta(days=day)
    with store.write() as db:
        session = PracticeSession(client_id=client.id, day=at.date(), started_at=at, pain_before=pain,
                                  pain_after=pain)  # fmt: skip
        db.add(session)
        db.flush()
        clip = Clip(client_id=client.id, session_id=session.id, exercise=exercise, side="both", size=1,
                    duration_s=9.0, width=1, height=1, created_at=at)  # fmt: skip
        db.add(clip)
        db.flush()
        db.add(Job(clip_id=clip.id, state="done"))
        db.add(StoredReport(clip_id=clip.id, body="{}", slim=slim(told), usable=usable, repetitions=10,
                            flagged=0 if sound else 10))  # fmt: skip


def test_it_is_the_same(store: Store, client: Person) -> None:
    for day in range(12):
        sitting(store, client, day, "toe_tap", sound=day > 5, usable=day % 4 != 3, pain=0)
        sitting(store, client, day, "clam", sound=day < 9, usable=True, pain=1)
    sitting(store, client, 0, "bridge", sound=True, usable=True, pain=0)
    with store.read() as db:
        whole = results.over_weeks(db, client)
        found = results.advised(db, client)
    assert found == {e.exercise: e.proposal for e in whole.exercises if e.proposal}
    assert {p.direction for p in found.values()} == {"harder", "easier"}


def test_nothing_is_advised_while_a_warning_sign_is_open(desk: Desk) -> None:
    client = desk.client("Cleo")
    desk.session_of(client, leg_weakness=True)
    with desk.services.store.read() as db:
        assert results.advised(db, db.get_one(Person, client.id)) == {}
