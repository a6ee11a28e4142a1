"""Works on jobs: fetches the clip, has it measured in a limited process, stores what came out."""

import logging
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import Session

from service import audit, jobs, limits, parts, programmes, scratch, sessions
from service.errors import Refused
from service.files import Files, part_file
from service.measure import FILES, RESULTS, TEXTS
from service.queue import Queue, WorkerStopping
from service.store.models import Clip, Job, Person, StoredReport
from service.store.session import Store

Sheet = Callable[[], Path]  # a new file of `scratch.sheets`

_log = logging.getLogger(__name__)
_TELL_EVERY_S = 0.5
_DATABASE_AGAIN_S = 5.0


class Worker:
    """Measures clips, one call of `work` a job; any number of processes may have one."""

    def __init__(self, store: Store, files: Files, queue: Queue) -> None:
        self._store, self._files, self._queue, self._settings = store, files, queue, store.settings

    def work(self, job_id: str) -> None:
        """Bring a job to its end: done, failed with a reason, or cancelled.

        A measuring process that dies is started again until the job's starts are used up.
        """
        while True:
            if self._queue.stopping.is_set():
                raise WorkerStopping
            try:
                if not self._one_start(job_id):
                    return self._go_on(job_id)
            except limits.ChildCrashed as error:
                _log.warning("job %s: the measuring process died: %s", job_id, error.detail)
            except DBAPIError as error:
                _log.warning("job %s: the database does not answer: %s", job_id, type(error).__name__)
                self._queue.stopping.wait(_DATABASE_AGAIN_S)
            except Exception:
                _log.exception("job %s: could not be worked on", job_id)

    def _one_start(self, job_id: str) -> bool:
        """Start once; returns whether to start again."""
        with self._store.write() as db:
            job = jobs.begin(db, job_id, self._settings.attempts)
            if job is None:
                return False
            _ = job.clip.job  # loaded, for when the transaction is over
        try:
            with scratch.sheets(self._settings.work_dir) as sheet:
                self._bring_on(job, sheet)
        except limits.ChildStopped as stopped:
            if self._queue.stopping.is_set():
                raise WorkerStopping from stopped
            self._end(job_id, "cancelled")
        except Refused as refused:
            self._end(job.clip.job.id, "failed", str(refused))
        return False

    def _bring_on(self, job: Job, sheet: Sheet) -> None:
        """A part; or the first look at a long clip, which makes its parts; or all the rest."""
        source = self._files.fetch(job.clip.client_id, job.clip_id, "original", sheet())
        with self._store.read() as db:
            survey = db.get_one(Job, job.clip.job.id).survey
        if job.part:
            self._measure_part(job, source, survey, sheet())
        elif survey is None and job.clip.duration_s > self._settings.part_seconds:
            self._cut(job, source)
        else:
            self._measure(job, source, survey, sheet)

    def _go_on(self, job_id: str) -> None:
        """Of a long clip hand over the jobs that are due now, or delete what its parts left."""
        with self._store.read() as db:
            job = db.get(Job, job_id)
            due = parts.due(db, job.clip_id) if job is not None else []
        for one in due:
            self._queue.enqueue(one)
        if job is not None:
            parts.clear(self._store, self._files, job.clip_id)

    def _cut(self, job: Job, source: Path) -> None:
        parts.clear(self._store, self._files, job.clip_id)
        arguments = {"source": source, "part_s": self._settings.part_seconds}
        found = self._run(job, "service.measure:look", arguments)
        with self._store.write() as db:
            parts.cut(db, job.id, **found)

    def _measure_part(self, job: Job, source: Path, survey: dict[str, Any] | None, target: Path) -> None:
        with self._store.read() as db:
            count = len(parts.of(db, job.clip_id))
        name = (job.clip.client_id, job.clip_id, part_file(job.id))
        arguments = {"source": source, "target": target, "exercise": job.clip.exercise, "survey": survey}
        self._run(job, "service.measure:part", arguments | {"number": job.part, "of": count})
        self._files.put(*name, target)
        with self._store.write() as db:
            wanted = parts.finish(db, job.id)
        if not wanted:
            self._files.delete(*name)

    def _measure(self, job: Job, source: Path, survey: dict[str, Any] | None, sheet: Sheet) -> None:
        clip, results = job.clip, {name: sheet() for name in RESULTS}
        with self._store.read() as db:
            client = db.get_one(Person, clip.client_id)
            prescription, notes = programmes.prescription(db, clip), sessions.notes(db, clip)
            rows = parts.of(db, clip.id) if survey else []
        measured = [self._files.fetch(clip.client_id, clip.id, part_file(row.id), sheet()) for row in rows]
        arguments = {
            "source": source,
            "results": results,
            "exercise": clip.exercise,
            "side": clip.side,
            "prescription": prescription.model_dump(),
            "notes": notes.model_dump(mode="json"),
            "blur": client.practice.blur_faces,
            "measure": self._settings.measure,
            "survey": survey,
            "parts": measured,
        }
        self._store_results(job, results, self._run(job, "service.measure:whole", arguments))

    def _run(self, job: Job, target: str, arguments: dict[str, Any]) -> dict[str, Any]:
        """Call a function in a limited process for a job that may be cancelled."""
        extra = self._settings.measure_seconds_per_second * job.clip.duration_s
        return limits.run(
            target,
            arguments,
            limits.Limits(self._settings.measure_memory_bytes, self._settings.measure_base_seconds + extra),
            on_progress=_Teller(self._store, job),
            should_stop=lambda: self._stopped(job.id),
        )

    def _stopped(self, job_id: str) -> bool:
        if self._queue.stopping.is_set():
            return True
        with self._store.read() as db:
            job = db.get(Job, job_id)
            return job is None or job.cancel or job.state != "running"

    def _store_results(self, job: Job, results: dict[str, Path], summary: dict[str, object]) -> None:
        """Files first, then one transaction that makes them known and ends the job."""
        with self._store.read() as db:
            clip = db.get(Clip, job.clip_id)
        if clip is None:
            return  # deleted meanwhile
        for kind in FILES:
            self._files.put(clip.client_id, clip.id, kind, results[kind])
        texts = {column: results[name].read_text() for column, name in TEXTS.items()}
        with self._store.write() as db:
            clip = db.get(Clip, job.clip_id)
            if clip is not None and jobs.end(db, job.id, "done"):
                clip.track = clip.review_video = True
                _put_report(db, clip.id, texts, summary)
                client = db.get_one(Person, clip.client_id)
                audit.record(db, client, client, "changed", "report", clip.id)
        if clip is None:
            self._files.delete(job.clip.client_id, job.clip_id)

    def _end(self, job_id: str, state: str, reason: str = "") -> None:
        with self._store.write() as db:
            jobs.end(db, job_id, state, reason)


class _Teller:
    """Writes progress into the job's row, not more often than anybody looks."""

    def __init__(self, store: Store, job: Job) -> None:
        self._store, self._job, self._last = store, job, 0.0

    def __call__(self, stage: str, share: float) -> None:
        if time.monotonic() - self._last < _TELL_EVERY_S:
            return
        self._last = time.monotonic()
        with self._store.write() as db:
            jobs.tell(db, self._job.id, stage, share)
        if self._job.part:
            with self._store.write() as db:  # apart: a part is never locked before the clip's own job
                parts.tell(db, self._job.clip_id)


def _put_report(db: Session, clip_id: str, texts: dict[str, str], summary: dict[str, object]) -> None:
    db.merge(StoredReport(clip_id=clip_id, **texts, **summary))
