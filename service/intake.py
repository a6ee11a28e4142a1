"""From a finished upload to an accepted clip: content checked, file stored, job made."""

import logging
from pathlib import Path
from typing import Any

from service import audit, jobs, limits, scratch, uploads
from service.errors import Refused
from service.files import Files
from service.queue import Queue
from service.settings import Settings
from service.store.models import Clip, Person, Upload
from service.store.session import Store

_log = logging.getLogger(__name__)

# The containers that phones and browser recorders write: ISO base media, and Matroska/WebM.
_BOXES = (b"ftyp", b"moov", b"mdat", b"wide", b"free", b"skip", b"pnot")
_EBML = b"\x1a\x45\xdf\xa3"


def accept(store: Store, files: Files, queue: Queue, upload_id: str) -> None:
    """Check a finished upload and make it a clip with a waiting job; safe to repeat.

    Raises Refused with the reason, which is also kept with the upload, whose bytes are deleted, and
    Conflict while another request does the same.
    """
    file = uploads.path(store.settings, upload_id)
    if not file.exists():
        return  # done already
    with uploads.locked(file):
        try:
            with scratch.sheets(store.settings.work_dir) as sheet:
                job_id = _accept(store, files, upload_id, sheet())
        except Refused as error:
            _refuse(store, upload_id, str(error))
            raise
        file.unlink(missing_ok=True)
    if job_id is not None:
        queue.enqueue(job_id)


def _accept(store: Store, files: Files, upload_id: str, clean: Path) -> str | None:
    """Identifier of the new job; None where there is a clip already, or the upload was dropped meanwhile."""
    with store.read() as db:
        upload = db.get(Upload, upload_id)
    if upload is None:
        return None
    found = check(store.settings, uploads.path(store.settings, upload_id), clean)
    files.put(upload.client_id, upload_id, "original", clean)
    job_id = _make_clip(store, upload_id, found)
    if job_id is None:
        files.delete(upload.client_id, upload_id)
    return job_id


def check(settings: Settings, file: Path, clean: Path) -> dict[str, Any]:
    """Size and length of a clip, and a copy without metadata and sound, made in a limited process.

    Raises Refused with the reason.
    """
    check_magic(file)
    bounds = limits.Limits(settings.check_memory_bytes, settings.check_seconds, hard=True)
    arguments = {"path": file, "clean": clean, "longest_s": settings.clip_max_s}
    try:
        return limits.run("service.stripped:look_into", arguments, bounds)
    except limits.ChildCrashed as error:
        _log.warning("a clip could not be checked: %s", error.detail)
        raise Refused(
            "The file could not be read safely. Film again, in the phone's most compatible format."
        ) from error


def check_magic(file: Path) -> None:
    """Refuse what does not begin as a phone's video does, whatever its name says."""
    with file.open("rb") as opened:
        head = opened.read(12)
    if head[4:8] not in _BOXES and head[:4] != _EBML:
        raise Refused("This is no video as phones make it (MP4, MOV or WebM). Choose the clip itself.")


def ending(head: bytes) -> str:
    """What the name of an accepted clip ends with, so that a player opens it."""
    return "mkv" if head[:4] == _EBML else "mp4"


def _refuse(store: Store, upload_id: str, reason: str) -> None:
    with store.write() as db:
        upload = db.get(Upload, upload_id)
        if upload is not None:
            upload.refused = reason[:500]
    uploads.path(store.settings, upload_id).unlink(missing_ok=True)


def _make_clip(store: Store, upload_id: str, found: dict[str, Any]) -> str | None:
    with store.write() as db:
        upload = db.get(Upload, upload_id)
        if upload is None:
            return None
        clip = Clip(
            id=upload.id,
            client_id=upload.client_id,
            session_id=upload.session_id,
            item_id=upload.item_id,
            exercise=upload.exercise,
            side=upload.side,
            **found,
        )
        db.add(clip)
        job = jobs.add(db, clip)
        by, client = db.get(Person, upload.created_by), db.get(Person, upload.client_id)
        if by is not None:
            audit.record(db, by, client, "changed", "clip", clip.id)
        db.delete(upload)
        db.flush()
        return job.id
