"""A person's rights over their data: all of it handed out, all of it deleted."""

import json
import zipfile
from itertools import chain
from typing import IO, Any

from sqlalchemy import delete, func, select
from sqlalchemy.orm import Session

from service import jobs, uploads
from service.errors import Conflict
from service.files import KINDS, Files
from service.intake import ending
from service.queue import Queue
from service.secret import digest
from service.store.models import (
    Agreement,
    ApiToken,
    AuditEntry,
    Base,
    Clip,
    Comment,
    Consent,
    Decision,
    Failure,
    Feedback,
    Person,
    Practice,
    PracticeSession,
    ProgrammeItem,
    Proposal,
    SignIn,
    StoredReport,
    Target,
    Upload,
)
from service.store.session import Store

_OF_PERSON: tuple[type[Base], ...] = (
    ProgrammeItem, Target, Proposal, PracticeSession, Upload, Clip, Agreement,
)  # fmt: skip
_OF_CLIP: tuple[type[Base], ...] = (Decision, Comment, Feedback)
_OF_ACCOUNT: tuple[type[Base], ...] = (Consent, SignIn, ApiToken)
_SECRET = {"password", "digest"}


def export(db: Session, files: Files, person: Person, target: IO[bytes]) -> None:
    """Write everything about a person as a zip: `data.json`, reports, tracks, and videos still there."""
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("data.json", json.dumps(rows(db, person), indent=1, default=str))
        for clip in db.scalars(select(Clip).where(Clip.client_id == person.id)):
            folder = f"{clip.created_at:%Y-%m-%d} {clip.exercise} {clip.id}"
            found = db.get(StoredReport, clip.id)
            if found is not None:
                archive.writestr(f"{folder}/report.json", found.body)
            _add_files(archive, files, clip, folder)


def rows(db: Session, person: Person) -> dict[str, list[dict[str, Any]]]:
    """Every row about a person, by table, without secrets."""
    clip_ids = list(db.scalars(select(Clip.id).where(Clip.client_id == person.id)))
    found: dict[str, list[Any]] = {"person": [person]}
    for kind in _OF_PERSON:
        found[kind.__tablename__] = list(db.scalars(select(kind).filter_by(client_id=person.id)))
    for kind in _OF_CLIP:
        query = select(kind).where(kind.__table__.c.clip_id.in_(clip_ids))
        found[kind.__tablename__] = list(db.scalars(query))
    for kind in _OF_ACCOUNT:
        found[kind.__tablename__] = list(db.scalars(select(kind).filter_by(person_id=person.id)))
    found["audit_entry"] = list(db.scalars(select(AuditEntry).where(AuditEntry.subject_id == person.id)))
    return {name: [_plain(row) for row in group] for name, group in found.items()}


def delete_person(store: Store, files: Files, queue: Queue, person_id: str) -> None:
    """Delete a person and everything of theirs: rows, files, unfinished uploads, jobs.

    The last owner of a practice takes the practice along, and is refused (Conflict) while others
    are in it.
    """
    with store.write() as db:
        person = db.get_one(Person, person_id)
        _check_owner(db, person)
        clips = db.scalars(select(Clip).where(Clip.client_id == person_id))
        names = [name for clip in clips for name in jobs.names_of(clip)]
        for upload in db.scalars(select(Upload).where(Upload.client_id == person_id)):
            uploads.remove(db, store.settings, upload)
        db.execute(delete(Failure).where(Failure.digest == digest(person.email)))
        alone = _others(db, person) == 0
        db.execute(delete(Person).where(Person.id == person_id))
        if alone:
            db.execute(delete(Practice).where(Practice.id == person.practice_id))
    queue.forget(names)
    files.delete_client(person_id)
    store.compact()


def _plain(row: Base) -> dict[str, Any]:
    return {c.name: getattr(row, c.name) for c in row.__table__.columns if c.name not in _SECRET}


def _add_files(archive: zipfile.ZipFile, files: Files, clip: Clip, folder: str) -> None:
    there = {name.rpartition("/")[2] for name in files.names(f"{clip.client_id}/{clip.id}")}
    for kind in KINDS:
        if kind not in there:
            continue
        pieces = files.read(clip.client_id, clip.id, kind, 0, files.size(clip.client_id, clip.id, kind))
        first = next(pieces, b"")
        name = f"original.{ending(first)}" if kind == "original" else kind
        with archive.open(f"{folder}/{name}", "w", force_zip64=True) as entry:
            for piece in chain([first], pieces):
                entry.write(piece)


def _others(db: Session, person: Person) -> int:
    query = select(func.count()).select_from(Person).where(Person.practice_id == person.practice_id)
    return db.scalar(query.where(Person.id != person.id)) or 0


def _check_owner(db: Session, person: Person) -> None:
    if not person.owner or _others(db, person) == 0:
        return
    query = (
        select(func.count())
        .select_from(Person)
        .where(Person.practice_id == person.practice_id, Person.owner, Person.id != person.id)
    )
    if db.scalar(query) == 0:
        raise Conflict("You are the only owner of the practice. Make somebody else an owner first.")
