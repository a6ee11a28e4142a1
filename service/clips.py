"""Clips as people see them: lists, the queue of new ones, video by ranges, the track, deletion."""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Executable, RowMapping, and_, bindparam, select
from sqlalchemy.orm import Session

from service import access, audit
from service.errors import Conflict, NotFound, RangeError
from service.files import Files
from service.jobs import OPEN
from service.records.clips import ClipOut, JobOut, SummaryOut
from service.store.columns import now
from service.store.models import Clip, Job, Person, StoredReport

# What a list shows, as columns: making whole rows of each table would take most of a page's time.
_OWN = [getattr(Clip, name) for name in ClipOut.model_fields if name in Clip.__table__.c]
_OF_JOB = [getattr(Job, name).label(f"job_{name}") for name in JobOut.model_fields]
_OF_REPORT = [getattr(StoredReport, name) for name in SummaryOut.model_fields]
_LIST = (
    select(*_OWN, Person.name, *_OF_JOB, *_OF_REPORT)
    .select_from(Clip)
    .join(Person, Person.id == Clip.client_id)
    .join(Job, and_(Job.clip_id == Clip.id, Job.part == 0))
    .outerjoin(StoredReport, StoredReport.clip_id == Clip.id)
)
_ONE = _LIST.where(Clip.id == bindparam("clip"))
_OF_CLIENT = _LIST.where(Clip.client_id == bindparam("client")).order_by(Clip.created_at.desc())
_NEWEST = _OF_CLIENT.limit(bindparam("most"))
_OF_SESSION = _OF_CLIENT.where(Clip.session_id == bindparam("session"))
_QUEUE = (
    _LIST.where(Clip.client_id.in_(bindparam("clients", expanding=True)))
    .order_by(Clip.created_at)
    .limit(bindparam("most"))
)
_NEW = _QUEUE.where(StoredReport.reviewed_at.is_(None))
_RANGE = re.compile(r"bytes=(\d{0,18})-(\d{0,18})$")


def of_client(db: Session, client_id: str, limit: int = 200) -> list[ClipOut]:
    """A client's clips, newest first."""
    return _listed(db, _NEWEST, client=client_id, most=limit)


def of_session(db: Session, client_id: str, session_id: str) -> list[ClipOut]:
    """The clips that a client sent in one session, newest first."""
    return _listed(db, _OF_SESSION, client=client_id, session=session_id)


def queue_of(db: Session, viewer: Person, *, new_only: bool = True, limit: int = 200) -> list[ClipOut]:
    """Clips of everybody whom a coach or physio may see, oldest first; by default those not yet reviewed."""
    whose = [client.id for client in access.clients_of(db, viewer)]
    return _listed(db, _NEW if new_only else _QUEUE, clients=whose, most=limit)


def described(db: Session, clip: Clip) -> ClipOut:
    """A clip with its client's name and its report in a line."""
    return _listed(db, _ONE, clip=clip.id)[0]


def _listed(db: Session, query: Executable, **named: Any) -> list[ClipOut]:
    """The clips of a query that adds to `_LIST`, in one question to the database."""
    return [_told(row) for row in db.execute(query, named).mappings()]


def _told(row: RowMapping) -> ClipOut:
    parts = {
        "client_name": row["name"],
        "job": {name: row[f"job_{name}"] for name in JobOut.model_fields},
        "summary": row if row["usable"] is not None else None,
    }
    return ClipOut.model_validate({**row, **parts})


def mark_seen(db: Session, clip: Clip) -> None:
    """A coach or physio has opened the clip."""
    clip.seen_at = clip.seen_at or now()


@dataclass(frozen=True)
class Part:
    """Bytes [start, stop) of a file of `size` bytes; `partial` where a range was asked for."""

    start: int
    stop: int
    size: int
    partial: bool


def part(size: int, wanted: str | None) -> Part:
    """What of a video to send for a Range header (RFC 9110, 14); raises RangeError where it lies outside.

    Several ranges, or none that can be read, mean the whole.
    """
    found = _RANGE.match(wanted or "")
    if not found or found.groups() == ("", ""):
        return Part(0, size, size, partial=False)
    first, last = found.groups()
    start = int(first) if first else max(0, size - int(last))
    stop = min(size, int(last) + 1) if first and last else size
    if start >= stop:
        raise RangeError("The range lies outside of the video.")
    return Part(start, stop, size, partial=True)


def video(files: Files, clip: Clip, piece: Part) -> Iterator[bytes]:
    """The bytes of a clip's video to watch."""
    return files.read(clip.client_id, clip.id, "review.mp4", piece.start, piece.stop)


def video_size(files: Files, clip: Clip) -> int:
    """Bytes of the video to watch; raises NotFound where there is none."""
    if not clip.review_video:
        raise NotFound("video", "as it is not made yet, or was deleted after its time")
    return files.size(clip.client_id, clip.id, "review.mp4")


def track(files: Files, clip: Clip) -> bytes:
    """The body's track (`records.clips.TrackOut`) as gzip; raises NotFound where there is none."""
    if not clip.track:
        raise NotFound("track")
    size = files.size(clip.client_id, clip.id, "track.json.gz")
    return b"".join(files.read(clip.client_id, clip.id, "track.json.gz", 0, size))


def delete(db: Session, files: Files, by: Person, clip: Clip) -> None:
    """Delete a clip with everything that came of it; raises Conflict while it is being measured."""
    if clip.job.state in OPEN:
        raise Conflict("The clip is being measured. Cancel that first.")
    files.delete(clip.client_id, clip.id)
    db.delete(clip)
    audit.record(db, by, db.get(Person, clip.client_id), "changed", "clip", clip.id)
