"""The work queue behind five words: enqueue, cancel, status, serve, stop. Progress is in the job row.

Engine: DBOS, on its own SQLite file or on Postgres. Only this module and `takeover` know it. What a
job does is `worker.work`. Each process is one executor with an identity of its own; work of a dead
one is taken over as `takeover` says.
"""

import json
import logging
import threading
from collections.abc import Callable
from typing import Any, Final

import sqlalchemy as sa
from dbos import DBOS, DBOSClient, DBOSConfig, Serializer
from sqlalchemy import create_engine

from service import jobs, takeover
from service.settings import Settings
from service.store.columns import new_id
from service.store.models import Job
from service.store.session import Store

QUEUE: Final = "clips"
WORKFLOW: Final = "measure_clip"
# The engine by default takes a digest of the source, and leaves jobs of another version lying.
# Raise this only when the order of a job's steps changes.
VERSION: Final = "jobs-1"
_NAME: Final = "matline"
_AT_WORK: Final = ("ENQUEUED", "PENDING", "DELAYED")

Work = Callable[[str], None]
_serving: list[Work] = []  # the engine calls a function by its registered name, which takes only JSON


class WorkerStopping(BaseException):
    """Raised inside a job when its process stops: the engine then leaves the job for the next one."""


class _Json(Serializer):
    """Only JSON in the job database: reading it back runs no code."""

    def serialize(self, data: Any) -> str:
        return json.dumps(data, default=str)

    def deserialize(self, serialized_data: str) -> Any:
        return json.loads(serialized_data)

    def name(self) -> str:
        return "json"


class Queue:
    """Jobs by the identifiers of their rows."""

    def __init__(self, store: Store) -> None:
        self._store, self._settings = store, store.settings
        _prepare(self._settings)
        self._client = DBOSClient(
            system_database_url=self._settings.jobs_database, serializer=_Json(), application_name=_NAME
        )
        self._takeover: takeover.Takeover | None = None
        self.stopping = threading.Event()

    def enqueue(self, job_id: str) -> None:
        """Hand a waiting job to the engine; doing so again changes nothing."""
        with self._store.read() as db:
            job = db.get(Job, job_id)
        if job is None or job.state not in jobs.OPEN:
            return
        self._client.enqueue(
            {
                "workflow_name": WORKFLOW,
                "queue_name": QUEUE,
                "workflow_id": jobs.workflow_id(job),
                "app_version": VERSION,
            },
            job_id,
        )

    def cancel(self, job_id: str) -> Job:
        """Ask for the end of a job; raises Conflict where it has ended."""
        with self._store.write() as db:
            job = db.get_one(Job, job_id, with_for_update=True)
            jobs.request_cancel(db, job)
        if job.state == "cancelled":
            self._client.cancel_workflow(jobs.workflow_id(job))
        return job

    def again(self, job_id: str) -> Job:
        """Measure again what failed or was cancelled; raises Conflict where that cannot be."""
        with self._store.write() as db:
            job = jobs.again(db, db.get_one(Job, job_id))
        self.enqueue(job_id)
        return job

    def status(self, job_id: str) -> Job | None:
        """The job's row: state, stage, progress, reason."""
        with self._store.read() as db:
            return db.get(Job, job_id)

    def forget(self, names: list[str]) -> None:
        """Delete runs whose names begin so from the engine's own tables."""
        known = self._client.list_workflows(workflow_id_prefix=names, load_input=False) if names else []
        self._client.delete_workflows([row.workflow_id for row in known])

    def recover(self) -> None:
        """Hand over jobs that the engine does not have: a crash came between row and hand-over, or the
        engine gave up on them."""
        with self._store.read() as db:
            waiting = {jobs.workflow_id(job): job.id for job in jobs.waiting_long(db)}
        known = self._client.list_workflows(workflow_ids=list(waiting), load_input=False) if waiting else []
        over = {row.workflow_id for row in known if row.status not in _AT_WORK}
        for name in over:
            with self._store.write() as db:
                db.get_one(Job, waiting[name]).run += 1
        for name in over | (waiting.keys() - {row.workflow_id for row in known}):
            self.enqueue(waiting[name])

    def serve(self, work: Work) -> None:
        """Start to work on jobs in threads of this process; `work` is called with a job's
        identifier."""
        executor = new_id()
        _serving[:] = [work]
        beat = takeover.hold(self._settings, executor)  # before the first job can be ours
        DBOS(config=_config(self._settings, executor))
        DBOS.launch()
        DBOS.register_queue(
            QUEUE,
            worker_concurrency=max(1, self._settings.workers),
            polling_interval_sec=self._settings.poll_seconds,
            on_conflict="always_update",
        )
        self._takeover = takeover.Takeover(self._settings, self._client, executor, beat, QUEUE)
        self._takeover.start()

    def stop(self) -> None:
        """Stop working; jobs in hand are left for whoever serves next."""
        self.stopping.set()
        if self._takeover is not None:
            DBOS.destroy(workflow_completion_timeout_sec=0)
            self._takeover.stop()
            self._takeover = None
        self._client.destroy()


@DBOS.step(name="work")
def _step(job_id: str) -> None:
    _serving[0](job_id)


@DBOS.workflow(name=WORKFLOW)
def _workflow(job_id: str) -> None:
    _step(job_id)


def _config(settings: Settings, executor: str) -> DBOSConfig:
    return {
        "name": _NAME,
        "system_database_url": settings.jobs_database,
        "application_version": VERSION,
        "executor_id": executor,
        "serializer": _Json(),
        "log_level": "WARNING",
        "enable_otlp": False,
    }


def _prepare(settings: Settings) -> None:
    """Make the engine's tables; in SQLite also switch to write-ahead logging, which then stays."""
    logging.getLogger("dbos").setLevel(logging.WARNING)
    if settings.embedded:
        engine = create_engine(settings.jobs_database)
        with engine.connect() as connection:
            connection.execute(sa.text("PRAGMA journal_mode=WAL"))
        engine.dispose()
    DBOS.migrate(settings.jobs_database)
