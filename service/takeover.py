"""Finds out which workers are dead, and hands their jobs to the living.

The engine by itself recovers only jobs of the same executor. Here each process holds a lock for as
long as it lives: an advisory lock of its own connection in Postgres, a lock on a file otherwise.
Whoever can take the lock of another executor knows that it is dead.
"""

import contextlib
import fcntl
import hashlib
import threading
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from dbos import DBOSClient
from sqlalchemy import Connection, create_engine

from service import scratch
from service.settings import Settings

Held = AbstractContextManager[Any]
# A machine that vanished without a word is noticed by the database after about 20 s.
_KEEPALIVE = {"keepalives": 1, "keepalives_idle": 10, "keepalives_interval": 5, "keepalives_count": 2}


class Takeover(threading.Thread):
    """Looks every few seconds for pending jobs of dead executors and puts them back into the queue."""

    def __init__(
        self, settings: Settings, client: DBOSClient, executor: str, held: "Beat", queue: str
    ) -> None:
        super().__init__(name="takeover", daemon=True)
        self._settings, self._client, self._queue = settings, client, queue
        self._executor, self._held, self._ended = executor, held, threading.Event()

    def run(self) -> None:
        """Look until stopped; a failure of the database is tried again."""
        while not self._ended.wait(self._settings.takeover_seconds):
            with contextlib.suppress(Exception):
                scratch.clean(self._settings)
                self._held.keep()
                self.look()

    def look(self) -> None:
        """Take over what dead executors left."""
        for executor in self._pending() - {self._executor}:
            with taken(self._settings, executor) as dead:
                if dead:
                    self._hand_over(executor)

    def stop(self) -> None:
        """Stop looking, and let go of our own lock: what we had is free."""
        self._ended.set()
        self.join(timeout=10)
        self._held.release()

    def _pending(self) -> set[str]:
        rows = self._client.list_workflows(status="PENDING", load_input=False, load_output=False)
        return {row.executor_id for row in rows if row.executor_id}

    def _hand_over(self, executor: str) -> None:
        # Asked again under the lock: another may have done it meanwhile.
        rows = self._client.list_workflows(
            status="PENDING", executor_id=executor, load_input=False, load_output=False
        )
        for row in rows:
            # Without the name it would go to the engine's own queue, past our limits.
            self._client.resume_workflow(row.workflow_id, queue_name=self._queue)


class Beat:
    """The lock that says that this process lives."""

    def __init__(self, settings: Settings, executor: str) -> None:
        self._settings, self._executor = settings, executor
        self._stack = contextlib.ExitStack()
        self._take()

    def keep(self) -> None:
        """Take the lock anew where the database lost our connection."""
        if self._connection is None:
            return
        try:
            self._connection.execute(sa.text("SELECT 1"))
        except sa.exc.DBAPIError:
            self._stack.close()
            self._take()

    def release(self) -> None:
        """Let go."""
        self._stack.close()

    def _take(self) -> None:
        self._connection: Connection | None = None
        if self._settings.embedded:
            assert self._stack.enter_context(_file_lock(_lock_path(self._settings, self._executor)))
            return
        engine = create_engine(
            self._settings.database,
            poolclass=sa.NullPool,
            connect_args=_KEEPALIVE,
            isolation_level="AUTOCOMMIT",
        )
        self._connection = self._stack.enter_context(engine.connect())
        self._connection.execute(sa.text("SELECT pg_advisory_lock(:key)"), {"key": _key(self._executor)})


def hold(settings: Settings, executor: str) -> Beat:
    """Say that this executor lives."""
    return Beat(settings, executor)


@contextmanager
def taken(settings: Settings, executor: str) -> Iterator[bool]:
    """Whether an executor's lock could be taken, that is, whether it is dead; held in the block."""
    if settings.embedded:
        path = _lock_path(settings, executor)
        with _file_lock(path) as got:
            yield got
            if got:
                path.unlink(missing_ok=True)
        return
    engine = create_engine(settings.database, poolclass=sa.NullPool)
    with engine.begin() as connection:
        got = connection.scalar(sa.text("SELECT pg_try_advisory_xact_lock(:key)"), {"key": _key(executor)})
        yield bool(got)


def _lock_path(settings: Settings, executor: str) -> Path:
    folder = settings.data_dir / "workers"
    folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    return folder / f"{executor}.lock"


@contextmanager
def _file_lock(path: Path) -> Iterator[bool]:
    with path.open("a") as file:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            yield False
            return
        yield True


def _key(executor: str) -> int:
    """A signed 64-bit number of an executor's name, as Postgres wants its lock's key."""
    return int.from_bytes(hashlib.sha256(executor.encode()).digest()[:8], signed=True)
