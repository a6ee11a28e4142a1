"""Works on jobs: fetches the clip, has it measured in a limited process, stores what came out."""

import logging
import shutil
import time
from pathlib import Path

from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import Session

from service import audit, jobs, limits, programmes, sessions
from service.errors import Refused
from service.files import Files
from service.measure import REPORT, REVIEW, SLIM, TRACK
from service.queue import Queue, WorkerStopping
from service.store.models import Clip, Job, Person, StoredReport
from service.store.session import Store

_log = logging.getLogger(__name__)
_TELL_EVERY_S = 0.5
_DATABASE_AGAIN_S = 5.0


class Worker:
    """Measures clips, one call of `work` a job; any number of processes may have one."""

    def __init__(self, store: Store, files: Files, queue: Queue) -> None:
        self._store, self._files, self._queue, self._settings = store, files, queue, store.settings

    def work(self, job_id: str, scratch: Path) -> None:
        """Bring a job to its end: done, failed with a reason, or cancelled.

        A measuring process that dies is started again until the job's starts are used up.
        """
        while True:
            if self._queue.stopping.is_set():
                raise WorkerStopping
            try:
                if not self._one_start(job_id, scratch):
                    return
            except limits.ChildCrashed as error:
                _log.warning("job %s: the measuring process died: %s", job_id, error.detail)
            except DBAPIError as error:
                _log.warning("job %s: the database does not answer: %s", job_id, type(error).__name__)
                self._queue.stopping.wait(_DATABASE_AGAIN_S)
            except Exception:
                _log.exception("job %s: could not be worked on", job_id)

    def _one_start(self, job_id: str, scratch: Path) -> bool:
        """Start once; returns whether to start again."""
        with self._store.write() as db:
            job = jobs.begin(db, job_id, self._settings.attempts)
        if job is None:
            return False
        folder = scratch / job_id
        shutil.rmtree(folder, ignore_errors=True)
        folder.mkdir(parents=True, mode=0o700)
        try:
            self._store_results(job, folder, self._measure(job, folder))
        except limits.ChildStopped as stopped:
            if self._queue.stopping.is_set():
                raise WorkerStopping from stopped
            self._end(job_id, "cancelled")
        except Refused as refused:
            self._end(job_id, "failed", str(refused))
        finally:
            shutil.rmtree(folder, ignore_errors=True)
        return False

    def _measure(self, job: Job, folder: Path) -> dict[str, object]:
        with self._store.read() as db:
            clip = db.get_one(Clip, job.clip_id)
            client = db.get_one(Person, clip.client_id)
            prescription, notes = programmes.prescription(db, clip), sessions.notes(db, clip)
        source = self._files.fetch(clip.client_id, clip.id, "original", folder / "clip")
        extra = self._settings.measure_seconds_per_second * clip.duration_s
        return limits.run(
            "service.measure:whole",
            {
                "source": str(source),
                "folder": str(folder),
                "exercise": clip.exercise,
                "side": clip.side,
                "prescription": prescription.model_dump(),
                "notes": notes.model_dump(mode="json"),
                "blur": client.practice.blur_faces,
                "measure": self._settings.measure,
            },
            limits.Limits(self._settings.measure_memory_bytes, self._settings.measure_base_seconds + extra),
            on_progress=_Teller(self._store, job.id),
            should_stop=lambda: self._stopped(job.id),
        )

    def _stopped(self, job_id: str) -> bool:
        if self._queue.stopping.is_set():
            return True
        with self._store.read() as db:
            job = db.get(Job, job_id)
            return job is None or job.cancel or job.state != "running"

    def _store_results(self, job: Job, folder: Path, summary: dict[str, object]) -> None:
        """Files first, then one transaction that makes them known and ends the job."""
        with self._store.read() as db:
            clip = db.get(Clip, job.clip_id)
        if clip is None:
            return  # deleted meanwhile
        self._files.put(clip.client_id, clip.id, "track.json.gz", folder / TRACK)
        self._files.put(clip.client_id, clip.id, "review.mp4", folder / REVIEW)
        texts = {"body": (folder / REPORT).read_text(), "slim": (folder / SLIM).read_text()}
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

    def __init__(self, store: Store, job_id: str) -> None:
        self._store, self._job_id, self._last = store, job_id, 0.0

    def __call__(self, stage: str, share: float) -> None:
        if time.monotonic() - self._last < _TELL_EVERY_S:
            return
        self._last = time.monotonic()
        with self._store.write() as db:
            jobs.tell(db, self._job_id, stage, share)


def _put_report(db: Session, clip_id: str, texts: dict[str, str], summary: dict[str, object]) -> None:
    db.merge(StoredReport(clip_id=clip_id, **texts, **summary))
