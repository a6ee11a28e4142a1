"""A store with clips to measure, and real worker processes on it that can be killed."""

import collections
import os
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

from sqlalchemy import func, select

from service import consent, jobs
from service.files import Files
from service.queue import Queue
from service.secret import new_token
from service.settings import Settings
from service.store.models import AuditEntry, Clip, Job, Person, Practice, StoredReport
from service.store.session import Store

Worker = subprocess.Popen[bytes]


class Shop:
    """A store with one client and many clips to measure, and real worker processes on it."""

    def __init__(self, settings: Settings, clip: bytes, log: Path) -> None:
        self.settings, self.clip, self.log = settings, clip, log
        self.store = Store(settings)
        self.store.migrate()
        self.files, self.queue = Files(settings), Queue(self.store)
        self.workers: list[Worker] = []
        with self.store.write() as db:
            practice = Practice(name="P")
            db.add(practice)
            db.flush()
            client = Person(practice_id=practice.id, role="client", name="C", email=new_token(), password="")
            db.add(client)
            db.flush()
            consent.give(db, client, "measure")  # without it the sweep of a worker deletes measured clips
            self.client_id = client.id

    def send(self, count: int, exercise: str = "toe_tap", duration_s: float = 2.5) -> list[str]:
        """Clips with waiting jobs; the jobs' identifiers."""
        made = []
        for _ in range(count):
            with self.store.write() as db:
                clip = Clip(client_id=self.client_id, exercise=exercise, side="both", size=1,
                            duration_s=duration_s, width=320, height=240)  # fmt: skip
                db.add(clip)
                db.flush()
                made.append(jobs.add(db, clip).id)
            self.files.put(self.client_id, clip.id, "original", self.clip)
        for job_id in made:
            self.queue.enqueue(job_id)
        return made

    def start(self, seconds: float = 0.3, measure: str = "standin:slow", **more: str) -> Worker:
        env = (
            os.environ
            | {
                "PYTHONPATH": os.pathsep.join(sys.path),
                "MATLINE_MEASURE": measure,
                "MATLINE_STANDIN_S": str(seconds),
                "MATLINE_STANDIN_LOG": str(self.log),
                "MATLINE_DATABASE_URL": self.settings.database_url,
                "MATLINE_FILES_URL": self.settings.files_url,
                "MATLINE_S3_ENDPOINT": self.settings.s3_endpoint,
                "MATLINE_S3_ACCESS_KEY": self.settings.s3_access_key.get_secret_value(),
                "MATLINE_S3_SECRET_KEY": self.settings.s3_secret_key.get_secret_value(),
                "MATLINE_POLL_SECONDS": "0.1",
                "MATLINE_TAKEOVER_SECONDS": "0.5",
            }
            | more
        )
        options = ["--measure-only", "--data", str(self.settings.data_dir), "--workers", "1"]
        code = f"from service.command import serve; serve({options})"
        worker = subprocess.Popen([sys.executable, "-c", code], env=env, stdout=subprocess.DEVNULL)
        self.workers.append(worker)
        return worker

    def states(self) -> collections.Counter[str]:
        with self.store.read() as db:
            return collections.Counter(db.scalars(select(Job.state).where(Job.part == 0)))

    def until(self, true: Callable[[], bool], seconds: float = 120) -> None:
        for _ in range(round(seconds / 0.1)):
            if true():
                return
            time.sleep(0.1)
        raise AssertionError(f"not reached: {self.states()}")

    def finished(self) -> bool:
        return not self.states().keys() & set(jobs.OPEN)

    def close(self) -> None:
        for worker in self.workers:
            worker.kill()
            worker.wait()
        self.queue.stop()
        self.store.close()


def check_done_once(shop: Shop, count: int) -> None:
    """Every job is done, has one report, and ended once."""
    assert shop.states() == {"done": count}
    with shop.store.read() as db:
        assert db.scalar(select(func.count()).select_from(StoredReport)) == count
        ended = db.scalars(select(AuditEntry.object_id).where(AuditEntry.what == "report"))
        assert max(collections.Counter(ended).values()) == 1
    assert not list(shop.settings.work_dir.glob("*"))
