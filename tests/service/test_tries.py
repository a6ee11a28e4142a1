"""Guesses count on all servers together, each of them, and only for their time."""

from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from pathlib import Path

import pytest
from desk import ORIGIN, PASSWORD, settings_for
from fastapi.testclient import TestClient
from sqlalchemy import select, update

from service import tries
from service.app import create_app
from service.errors import TooMany
from service.store.columns import now
from service.store.models import Failure
from service.store.session import Store

SPAN = timedelta(minutes=1)
WRONG = {"email": "nobody@example.org", "password": "wrong wrong"}


def test_every_try_counts_also_at_the_same_moment(store: Store) -> None:
    def one(_: int) -> None:
        with store.write() as db:
            tries.count(db, "me", SPAN)

    with ThreadPoolExecutor(8) as pool:
        list(pool.map(one, range(40)))
    with store.read() as db:
        assert db.scalar(select(Failure.count)) == 40
        tries.check(db, "me", 41, SPAN)
        tries.check(db, "somebody else", 1, SPAN)
        with pytest.raises(TooMany) as told:
            tries.check(db, "me", 40, SPAN)
        assert 0 < told.value.wait_s <= 60


def test_old_tries_say_nothing_any_more(store: Store) -> None:
    with store.write() as db:
        tries.count(db, "me", SPAN)
        tries.count(db, "me", SPAN)
        db.execute(update(Failure).values(since=now() - 2 * SPAN))
    with store.write() as db:
        tries.check(db, "me", 2, SPAN)
        tries.count(db, "me", SPAN)
        assert db.scalar(select(Failure.count)) == 1
        assert "me" not in db.scalars(select(Failure.digest)), "nobody's address is kept"


def test_several_servers_count_together(postgres_alone: str, tmp_path: Path) -> None:
    def server(i: int, sign_ins: int) -> TestClient:
        settings = settings_for(
            tmp_path / f"data{i}", database_url=postgres_alone, workers=0, sign_ins_per_minute=sign_ins
        )
        return TestClient(create_app(settings), base_url="http://127.0.0.1")

    with server(1, 4) as first, server(2, 4) as second:
        answers = [
            http.post("/api/sign-in", json=WRONG, headers=ORIGIN).status_code
            for http in (first, second, first, second, first, second)
        ]
        assert answers == [401] * 4 + [429] * 2
        assert second.post("/api/join", json=joining(), headers=ORIGIN).status_code == 429
        assert second.get("/api/first-run").status_code == 200, "only guesses are held up"


def joining() -> dict[str, str]:
    return {"token": "guess", "name": "N", "email": "n@example.org", "password": PASSWORD}
