"""Deletes what has had its time: originals, videos, results without consent, unfinished uploads, sessions.

One call of `sweep` does everything once; it is safe to repeat, and for several servers to do at once.
"""

import contextlib
import logging
import threading
from datetime import datetime, timedelta

from sqlalchemy import delete, select
from sqlalchemy.orm import Session

from service import consent, intake, parts, scratch, tries, uploads
from service.errors import Conflict, Refused
from service.files import PICTURED, Files
from service.jobs import OPEN
from service.queue import Queue
from service.settings import Settings
from service.store.columns import now
from service.store.models import Clip, Failure, Invitation, Person, SignIn, Upload
from service.store.session import Store

_log = logging.getLogger(__name__)


def sweep(store: Store, files: Files, queue: Queue) -> None:
    """Delete everything that is due, and see to what a crash left half done."""
    scratch.clean(store.settings)
    with store.read() as db:
        clips = list(db.scalars(select(Clip)))
        due = [(clip, _due(db, clip)) for clip in clips]
    for clip, what in due:
        if what:
            _delete_from(store, files, clip, what)
    _finish_uploads(store, files, queue)
    with store.write() as db:
        _drop_expired(db, store.settings)
    _drop_stray_files(store)
    parts.clear_all(store, files)
    queue.recover()


class Sweeper(threading.Thread):
    """Sweeps at the start and then every so often, until stopped."""

    def __init__(self, store: Store, files: Files, queue: Queue) -> None:
        super().__init__(name="sweeper", daemon=True)
        self._parts = (store, files, queue)
        self._every, self._ended = store.settings.sweep_seconds, threading.Event()

    def run(self) -> None:
        """Sweep until stopped; a failure is logged and tried again."""
        while True:
            try:
                sweep(*self._parts)
            except Exception:
                _log.exception("the sweep failed and will be tried again")
            if self._ended.wait(self._every):
                return

    def stop(self) -> None:
        """Stop after the sweep in hand."""
        self._ended.set()
        self.join(timeout=10)


def _due(db: Session, clip: Clip) -> str:
    """What of a clip has had its time: `all`, `videos`, `original` or nothing."""
    if clip.job.state in OPEN:
        return ""
    client = db.get_one(Person, clip.client_id)
    agreed, practice = consent.not_withdrawn(db, client.id), client.practice
    original_over = _older(clip.created_at, practice.original_days) or "measure" not in agreed
    if original_over and "keep" not in agreed:
        return "all"
    videos_over = _older(clip.created_at, practice.review_days) or "measure" not in agreed
    if videos_over and (clip.original or clip.review_video or clip.track):
        return "videos"
    return "original" if original_over and clip.original else ""


def _older(moment: datetime, days: float) -> bool:
    return now() - moment > timedelta(days=days)


def _delete_from(store: Store, files: Files, clip: Clip, what: str) -> None:
    """Files first: a row without its file says so; a file without its row would be forgotten."""
    gone = {"original": ("original",), "videos": PICTURED, "all": ()}[what]
    files.delete(clip.client_id, clip.id, *gone)
    with store.write() as db:
        row = db.get(Clip, clip.id)
        if row is None:
            return
        if what == "all":
            db.delete(row)
            return
        row.original = False
        if what == "videos":
            row.review_video = row.track = False


def _finish_uploads(store: Store, files: Files, queue: Queue) -> None:
    """Accept uploads that were whole when the server died."""
    with store.read() as db:
        waiting = [u.id for u in db.scalars(select(Upload).where(Upload.refused == "")) if _whole(store, u)]
    for upload_id in waiting:
        with contextlib.suppress(Refused, Conflict):  # Conflict: it is being accepted just now
            intake.accept(store, files, queue, upload_id)


def _whole(store: Store, upload: Upload) -> bool:
    return uploads.offset(store.settings, upload.id) == upload.length and _older(
        upload.created_at, store.settings.check_seconds * 2 / 86400
    )


def _drop_expired(db: Session, settings: Settings) -> None:
    for upload in uploads.expired(db, settings):
        uploads.remove(db, settings, upload)
    idle, longest = timedelta(hours=settings.idle_hours), timedelta(days=settings.signed_in_days)
    db.execute(delete(SignIn).where((SignIn.seen_at < now() - idle) | (SignIn.created_at < now() - longest)))
    db.execute(delete(Invitation).where(Invitation.expires_at < now()))
    db.execute(delete(Failure).where(Failure.since < now() - tries.LONGEST))


def _drop_stray_files(store: Store) -> None:
    """Bytes of uploads that have no row any more."""
    settings = store.settings
    with store.read() as db:
        known = set(db.scalars(select(Upload.id)))
    for file in settings.uploads_dir.glob("*"):
        with contextlib.suppress(FileNotFoundError):
            changed = datetime.fromtimestamp(file.stat().st_mtime).astimezone()
            if file.name not in known and _older(changed, settings.upload_hours / 24):
                file.unlink()
