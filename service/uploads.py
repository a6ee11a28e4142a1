"""Resumable uploads: the open tus protocol 1.0, core with creation and termination.

The length of the file on disk IS the offset: whatever arrived before a cut connection or a killed
server is there, and nothing else has to agree with it. A lock on the file lets one request at a
time add to it.
"""

import asyncio
import fcntl
import os
from collections.abc import AsyncIterator, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import BinaryIO

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from service import access, audit, consent, exercise_data, sessions
from service.errors import Conflict, Refused, TooLarge
from service.records.base import Side
from service.settings import Settings
from service.store.columns import now
from service.store.models import Base, Clip, Person, PracticeSession, ProgrammeItem, Upload

_WRITE_BYTES = 1024 * 1024


@dataclass(frozen=True)
class Wanted:
    """What an upload is to become a clip of; without a side it is that of the programme item."""

    client_id: str
    length: int
    exercise: str
    side: Side | None = None
    session_id: str | None = None
    item_id: str | None = None


def create(db: Session, settings: Settings, by: Person, wanted: Wanted) -> Upload:
    """Make room for an upload after every check that needs no byte of it.

    Raises Refused, TooLarge, NotAllowed (no consent), CareFirst (a warning sign is open).
    """
    client = access.client(db, by, wanted.client_id)
    consent.require(db, client.id, "measure")
    sessions.require_no_stop(db, client)
    exercise_data.require(wanted.exercise)
    _check_belongs(db, by, wanted)
    _check_room(db, settings, by, wanted)
    row = Upload(
        client_id=client.id,
        created_by=by.id,
        session_id=wanted.session_id,
        item_id=wanted.item_id,
        exercise=wanted.exercise,
        side=wanted.side or _side_set(db, wanted),
        length=wanted.length,
    )
    db.add(row)
    db.flush()
    settings.uploads_dir.mkdir(parents=True, exist_ok=True, mode=0o700)
    path(settings, row.id).touch(mode=0o600)
    audit.record(db, by, client, "changed", "upload", row.id)
    return row


def path(settings: Settings, upload_id: str) -> Path:
    """Where the bytes of an upload gather."""
    return settings.uploads_dir / upload_id


def offset(settings: Settings, upload_id: str) -> int:
    """How many bytes have arrived."""
    try:
        return path(settings, upload_id).stat().st_size
    except FileNotFoundError:
        return 0


async def append(settings: Settings, upload_id: str, length: int, at: int, body: AsyncIterator[bytes]) -> int:
    """Add bytes at an offset; returns the new offset. What has arrived stays when the body breaks off.

    Raises Conflict where the offset is not the file's length or another request is writing, and
    TooLarge where there are more bytes than were announced.
    """
    with locked(path(settings, upload_id)) as file:
        arrived = file.seek(0, os.SEEK_END)
        if arrived != at:
            raise Conflict(f"The upload is at byte {arrived}, not {at}. Go on from there.")
        held = bytearray()
        try:
            async for piece in body:
                arrived += len(piece)
                if arrived > length:
                    raise TooLarge("There are more bytes than the upload was announced with.")
                held += piece
                if len(held) >= _WRITE_BYTES:
                    await asyncio.to_thread(_write, file, held)
        finally:
            _write(file, held)
        return arrived


def _write(file: BinaryIO, held: bytearray) -> None:
    file.write(held)
    file.flush()
    held.clear()


def remove(db: Session, settings: Settings, upload: Upload) -> None:
    """Drop an upload and its bytes."""
    path(settings, upload.id).unlink(missing_ok=True)
    db.delete(upload)


def expired(db: Session, settings: Settings) -> list[Upload]:
    """Uploads that did not finish in their time, and refused ones of that age."""
    return list(db.scalars(select(Upload).where(Upload.created_at < _oldest(settings))))


def used_bytes(db: Session, client_id: str) -> int:
    """Bytes of a client's clips and announced uploads."""
    clips = db.scalar(
        select(func.coalesce(func.sum(Clip.size), 0)).where(Clip.client_id == client_id, Clip.original)
    )
    coming = db.scalar(
        select(func.coalesce(func.sum(Upload.length), 0)).where(
            Upload.client_id == client_id, Upload.refused == ""
        )
    )
    return int(clips or 0) + int(coming or 0)


def _check_belongs(db: Session, by: Person, wanted: Wanted) -> None:
    """Session and programme item, where named, must be the client's."""
    kinds: tuple[tuple[type[Base], str | None], ...] = (
        (PracticeSession, wanted.session_id),
        (ProgrammeItem, wanted.item_id),
    )
    for kind, key in kinds:
        if key is not None and access.client_of(access.thing(db, by, kind, key)) != wanted.client_id:
            raise Refused("The session or the exercise belongs to another client.")
    if by.id != wanted.client_id:
        return
    session = db.get(PracticeSession, wanted.session_id) if wanted.session_id else None
    if session is None or session.ended_at is not None:
        raise Refused("Start a session first: it asks about pain and warning signs before any exercise.")


def _side_set(db: Session, wanted: Wanted) -> str:
    """The side on which the programme has the exercise done."""
    item = db.get(ProgrammeItem, wanted.item_id) if wanted.item_id else None
    return item.side if item is not None and item.exercise == wanted.exercise else "both"


def _check_room(db: Session, settings: Settings, by: Person, wanted: Wanted) -> None:
    if wanted.length < 1:
        raise Refused("The file is empty. Choose the clip again.")
    if wanted.length > settings.upload_max_bytes:
        most = settings.upload_max_bytes // 1024**2
        raise TooLarge(f"The file is larger than {most} MiB. Film in 1080p, or send one exercise at a time.")
    if used_bytes(db, wanted.client_id) + wanted.length > settings.quota_bytes:
        raise TooLarge("The room for this client's clips is used up. Delete old clips, or ask the practice.")
    waiting = db.scalar(
        select(func.count())
        .select_from(Upload)
        .where(Upload.created_by == by.id, Upload.refused == "", Upload.created_at > _oldest(settings))
    )
    if (waiting or 0) >= settings.open_uploads:
        raise Conflict("Too many uploads are unfinished. Finish or cancel one first.")


def _oldest(settings: Settings) -> datetime:
    return now() - timedelta(hours=settings.upload_hours)


@contextmanager
def locked(file_path: Path) -> Iterator[BinaryIO]:
    """The bytes of an upload, for one request at a time; raises Conflict for another one."""
    try:
        file = file_path.open("r+b")
    except FileNotFoundError as error:
        raise Conflict("This upload is finished or was cancelled.") from error
    with file:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            raise Conflict("Another request is adding to this upload. Try again in a moment.") from error
        yield file
