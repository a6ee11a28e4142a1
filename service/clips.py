"""Clips as people see them: lists, the queue of new ones, video by ranges, the track, deletion."""

import gzip
import re
from collections.abc import Iterator
from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session

from service import access, audit
from service.errors import Conflict, NotFound, RangeError
from service.files import Files
from service.jobs import OPEN
from service.records.clips import ClipOut, SummaryOut
from service.store.columns import now
from service.store.models import Clip, Person, StoredReport

_RANGE = re.compile(r"bytes=(\d{0,18})-(\d{0,18})$")


def of_client(db: Session, client_id: str, limit: int = 200) -> list[ClipOut]:
    """A client's clips, newest first."""
    query = select(Clip).where(Clip.client_id == client_id).order_by(Clip.created_at.desc()).limit(limit)
    return _described(db, list(db.scalars(query)))


def queue_of(db: Session, viewer: Person, *, new_only: bool = True, limit: int = 200) -> list[ClipOut]:
    """Clips of everybody whom a coach or physio may see, oldest first; by default those not yet reviewed."""
    clients = [client.id for client in access.clients_of(db, viewer)]
    query = select(Clip).outerjoin(StoredReport, StoredReport.clip_id == Clip.id)
    query = query.where(Clip.client_id.in_(clients)).order_by(Clip.created_at).limit(limit)
    if new_only:
        query = query.where(StoredReport.reviewed_at.is_(None))
    return _described(db, list(db.scalars(query)))


def described(db: Session, clip: Clip) -> ClipOut:
    """A clip with its client's name and its report in a line."""
    return _described(db, [clip])[0]


def _described(db: Session, found: list[Clip]) -> list[ClipOut]:
    people = db.scalars(select(Person).where(Person.id.in_({clip.client_id for clip in found})))
    names = {person.id: person.name for person in people}
    reports = db.scalars(select(StoredReport).where(StoredReport.clip_id.in_([clip.id for clip in found])))
    summaries = {row.clip_id: SummaryOut.model_validate(row) for row in reports}
    told = [(clip, names.get(clip.client_id, ""), summaries.get(clip.id)) for clip in found]
    return [
        ClipOut.model_validate(clip).model_copy(update={"client_name": name, "summary": summary})
        for clip, name, summary in told
    ]


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
        raise NotFound("video; it is not made yet, or was deleted after its time")
    return files.size(clip.client_id, clip.id, "review.mp4")


def track(files: Files, clip: Clip) -> bytes:
    """The body's track as JSON text (`records.clips.TrackOut`); raises NotFound where there is none."""
    if not clip.track:
        raise NotFound("track")
    size = files.size(clip.client_id, clip.id, "track.json.gz")
    return gzip.decompress(b"".join(files.read(clip.client_id, clip.id, "track.json.gz", 0, size)))


def delete(db: Session, files: Files, by: Person, clip: Clip) -> None:
    """Delete a clip with everything that came of it; raises Conflict while it is being measured."""
    if clip.job.state in OPEN:
        raise Conflict("The clip is being measured. Cancel that first.")
    files.delete(clip.client_id, clip.id)
    db.delete(clip)
    audit.record(db, by, db.get(Person, clip.client_id), "changed", "clip", clip.id)
