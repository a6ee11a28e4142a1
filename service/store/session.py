"""The store: engine, database sessions for reading and writing, migration to the newest tables."""

import fcntl
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path
from typing import Any

from alembic import command
from alembic.config import Config
from sqlalchemy import Connection, Engine, create_engine, event, text
from sqlalchemy.orm import Session, sessionmaker

from service.settings import Settings

_MIGRATION_LOCK = 0x6D61746C  # any number, the same on all servers
_POOL = {"pool_size": 10, "max_overflow": 40}
_POOL_SQLITE = {"pool_size": 40, "max_overflow": 10}  # opening one takes longer than most of what it is asked
_PRAGMAS = (  # FULL: what was answered for is there after a power cut, too
    "journal_mode=WAL", "synchronous=FULL", "foreign_keys=ON", "busy_timeout=30000", "secure_delete=ON",
)  # fmt: skip


class Store:
    """The application's database. `read()` and `write()` give a session; `write()` commits at its end."""

    def __init__(self, settings: Settings) -> None:
        self.settings = settings
        self.engine = _open_engine(settings)
        # Postgres shows each query what is committed either way; closing no transaction asks it nothing.
        how = {} if settings.embedded else {"isolation_level": "AUTOCOMMIT"}
        self._reading = sessionmaker(self.engine.execution_options(**how), expire_on_commit=False)
        self._writing = sessionmaker(self.engine.execution_options(write=True), expire_on_commit=False)

    def read(self) -> AbstractContextManager[Session]:
        """Session that is never committed; closing it does not wait for the database."""
        return self._reading()

    def write(self) -> AbstractContextManager[Session]:
        """Session committed when its block ends, or taken back when it raises."""
        return self._writing.begin()

    def migrate(self) -> None:
        """Bring the tables to the newest form; safe when several servers start at once."""
        with _alone(self.settings, self.engine), self.engine.begin() as connection:
            command.upgrade(migration_config(connection), "head")

    def compact(self) -> None:
        """After a deletion: overwrite what SQLite's write-ahead log still holds of it."""
        if self.settings.embedded:
            with self.engine.connect() as connection:
                connection.exec_driver_sql("COMMIT")
                connection.exec_driver_sql("PRAGMA wal_checkpoint(TRUNCATE)")

    def close(self) -> None:
        """Give all connections back."""
        self.engine.dispose()


def migration_config(connection: Connection) -> Config:
    """Alembic's configuration for our one migration history, on an open connection."""
    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent / "migrations"))
    config.attributes["connection"] = connection
    return config


def _open_engine(settings: Settings) -> Engine:
    if not settings.embedded:
        return create_engine(settings.database, pool_pre_ping=True, **_POOL)
    settings.data_dir.mkdir(parents=True, exist_ok=True, mode=0o700)
    engine = create_engine(settings.database, **_POOL_SQLITE)
    event.listen(engine, "connect", _prepare_sqlite)
    event.listen(engine, "begin", _begin_sqlite)
    return engine


def _prepare_sqlite(connection: Any, _record: Any) -> None:
    # The driver's own transaction handling is off: it would begin one only at the first write.
    connection.isolation_level = None
    for pragma in _PRAGMAS:
        connection.execute(f"PRAGMA {pragma}")


def _begin_sqlite(connection: Connection) -> None:
    # A transaction that reads first and writes later fails at once if another wrote in between;
    # one that takes the lock at its start waits its turn instead.
    write = connection.get_execution_options().get("write", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if write else "BEGIN")


@contextmanager
def _alone(settings: Settings, engine: Engine) -> Iterator[None]:
    """Only one process at a time migrates."""
    if settings.embedded:
        with (settings.data_dir / "migration.lock").open("w") as file:
            fcntl.flock(file, fcntl.LOCK_EX)
            yield
        return
    with engine.connect() as connection:
        connection.execute(text("SELECT pg_advisory_lock(:key)"), {"key": _MIGRATION_LOCK})
        try:
            yield
        finally:
            connection.execute(text("SELECT pg_advisory_unlock(:key)"), {"key": _MIGRATION_LOCK})
