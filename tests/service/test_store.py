"""One migration history makes the tables of the models, on SQLite and on Postgres, and takes them back."""

from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pytest
from alembic import command
from desk import settings_for
from sqlalchemy import inspect, select, text

from service.store.columns import now
from service.store.models import Base, Person, Practice
from service.store.session import Store, migration_config


@pytest.fixture(params=["sqlite", "postgres"])
def store(request: pytest.FixtureRequest, tmp_path: Path) -> Store:
    url = request.getfixturevalue("postgres") if request.param == "postgres" else ""
    made = Store(settings_for(tmp_path, database_url=url.replace("/postgres?", "/template1?")))
    with made.engine.begin() as connection:
        command.downgrade(migration_config(connection), "base")
    return made


def test_migrations_make_what_the_models_say(store: Store) -> None:
    store.migrate()
    store.migrate()
    with store.engine.begin() as connection:
        command.check(migration_config(connection))  # raises where a model and its table differ
        assert set(inspect(connection).get_table_names()) == {*Base.metadata.tables, "alembic_version"}
        command.downgrade(migration_config(connection), "base")
    with store.engine.begin() as connection:
        assert inspect(connection).get_table_names() == ["alembic_version"]
    store.close()


def test_moments_come_back_with_their_zone(store: Store) -> None:
    store.migrate()
    there = timezone(timedelta(hours=5))
    moment = datetime(2026, 3, 4, 5, 6, 7, tzinfo=there)
    with store.write() as db:
        db.add(Practice(name="P", created_at=moment))
    with store.read() as db:
        stored = db.scalars(select(Practice)).one().created_at
    assert stored == moment
    assert stored.tzinfo is UTC
    store.close()


def test_what_belongs_to_a_person_goes_with_them(store: Store) -> None:
    """The database itself sees to it, whoever deletes the row."""
    store.migrate()
    with store.engine.connect() as connection:
        keys = [
            (table, key["referred_table"], key["options"].get("ondelete"))
            for table in inspect(connection).get_table_names()
            for key in inspect(connection).get_foreign_keys(table)
        ]
    assert len(keys) > 25
    assert all(rule in ("CASCADE", "SET NULL") for _, _, rule in keys)
    store.close()


def test_writers_wait_for_each_other(tmp_path: Path) -> None:
    """SQLite fails at once where a reader turns writer after another wrote; ours take the lock first."""
    from concurrent.futures import ThreadPoolExecutor

    store = Store(settings_for(tmp_path))
    store.migrate()
    with store.write() as db:
        db.add(Practice(name="0"))

    def add_one(_: int) -> None:
        with store.write() as db:
            row = db.scalars(select(Practice)).one()
            row.name = str(int(row.name) + 1)

    with ThreadPoolExecutor(8) as pool:
        list(pool.map(add_one, range(200)))
    with store.read() as db:
        assert db.scalars(select(Practice)).one().name == "200"
    store.close()


def test_what_was_committed_outlives_a_power_cut(tmp_path: Path) -> None:
    store = Store(settings_for(tmp_path))
    with store.write() as db:
        kept = {name: db.scalar(text(f"PRAGMA {name}")) for name in ("journal_mode", "synchronous")}
    assert kept == {"journal_mode": "wal", "synchronous": 2}, "2: the log is written down at each commit"
    store.close()


def test_a_failed_block_changes_nothing(tmp_path: Path) -> None:
    store = Store(settings_for(tmp_path))
    store.migrate()

    def fail() -> None:
        with store.write() as db:
            db.add(Practice(name="P", created_at=now()))
            db.flush()
            raise RuntimeError

    with pytest.raises(RuntimeError):
        fail()
    with store.read() as db:
        assert db.scalar(select(Person)) is None
        assert db.scalar(select(Practice)) is None
    store.close()
