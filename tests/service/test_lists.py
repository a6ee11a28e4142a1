"""Lists of many clients and clips: right for each of them, and no dearer for more of them."""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pytest
from desk import Desk, Someone
from sqlalchemy import event

from service import sessions


@contextmanager
def questions_to(desk: Desk) -> Iterator[list[str]]:
    """What the database is asked meanwhile."""
    asked: list[str] = []

    def note(_connection: Any, _cursor: Any, statement: str, *_more: Any) -> None:
        asked.append(statement)

    event.listen(desk.services.store.engine, "before_cursor_execute", note)
    yield asked
    event.remove(desk.services.store.engine, "before_cursor_execute", note)


def with_a_clip(desk: Desk, name: str, data: bytes) -> Someone:
    client = desk.client(name)
    desk.send_clip(client, data)
    return client


@pytest.mark.parametrize("path", ["/", "/clients", "/api/clips"])
def test_more_clients_are_not_more_questions(desk: Desk, clip_bytes: bytes, path: str) -> None:
    counts = []
    for names in (["Ann"], ["Ben", "Cat", "Dan"]):
        for name in names:
            with_a_clip(desk, name, clip_bytes)
        desk.owner.http.get(path)  # the look is noted
        with questions_to(desk) as asked:
            assert desk.owner.http.get(path).status_code == 200
        counts.append(len(asked))
    assert counts[0] == counts[1] > 0


def test_each_client_has_their_own_newest_session_and_warning_sign(desk: Desk) -> None:
    ann, ben, cat = (desk.client(name) for name in ("Ann", "Ben", "Cat"))
    desk.session_of(ann)
    newest = desk.session_of(ann)
    stopped = desk.session_of(ben, leg_weakness=True)
    with desk.services.store.read() as db:
        found = sessions.newest(db, [ann.id, ben.id, cat.id])
        stops = sessions.open_stops(db, [ann.id, ben.id, cat.id])
    assert {client: row.id for client, row in found.items()} == {ann.id: newest, ben.id: stopped}
    assert {client: row.id for client, row in stops.items()} == {ben.id: stopped}
