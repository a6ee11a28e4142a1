"""Long clips, measured in parts: each is a job of its own, which any worker takes.

A clip's own job starts with a look all over the clip, and makes the parts (`cut`). The last part that
ends (`finish`) gives it back to the queue, and what was measured is joined. Rows and files of parts are
there only meanwhile (`clear`).
"""

from sqlalchemy import delete, func, select, update
from sqlalchemy.orm import Session, aliased

from service import jobs
from service.files import Files, part_file
from service.measure import LOOK_SHARE, MEASURING_SHARE
from service.store.models import Clip, Job
from service.store.session import Store


def of(db: Session, clip_id: str) -> list[Job]:
    """The parts of a clip, in their order."""
    return list(db.scalars(select(Job).where(Job.clip_id == clip_id, Job.part > 0).order_by(Job.part)))


def cut(db: Session, job_id: str, survey: dict[str, object], count: int) -> None:
    """Make the waiting jobs of a clip's parts, once, where its own job is still wanted."""
    job = jobs.own(db, job_id)
    if job is None or job.state != "running" or job.survey is not None:
        return
    if job.cancel:
        jobs.end(db, job.id, "cancelled")
        return
    job.survey = survey
    db.add_all(Job(clip_id=job.clip_id, part=number) for number in range(1, count + 1))


def finish(db: Session, part_id: str) -> bool:
    """End a part; after the last the clip's own job is to run again. Returns whether its file is wanted."""
    job = jobs.own(db, part_id)
    if job is not None and jobs.end(db, part_id, "done") and not jobs.waits_for_parts(db, job):
        job.run, job.attempts = job.run + 1, 0
    part = db.get(Job, part_id)
    return part is not None and part.state == "done"


def due(db: Session, clip_id: str) -> list[str]:
    """Jobs that the queue must have now, for a clip that is cut: waiting parts, or the one that joins."""
    job = _cut_job(db, clip_id)
    if job is None:
        return []
    if jobs.waits_for_parts(db, job):
        return [part.id for part in of(db, clip_id) if part.state == "queued"]
    return [job.id]


def _cut_job(db: Session, clip_id: str) -> Job | None:
    """The own job of a clip, where it is cut and not ended."""
    return db.scalar(select(Job).where(Job.clip_id == clip_id, Job.part == 0, Job.survey.is_not(None)))


def tell(db: Session, clip_id: str) -> None:
    """Note in a clip's own job how far its parts are together."""
    part = aliased(Job)
    mean = select(func.avg(part.progress)).where(part.clip_id == clip_id, part.part > 0).scalar_subquery()
    query = update(Job).where(Job.clip_id == clip_id, Job.part == 0, Job.state == "running")
    db.execute(query.values(progress=LOOK_SHARE + (MEASURING_SHARE - LOOK_SHARE) * mean))


def clear(store: Store, files: Files, clip_id: str) -> None:
    """Delete files and rows of a clip's parts, where they are not needed any more."""
    with store.read() as db:
        clip, rows = db.get(Clip, clip_id), of(db, clip_id)
        if clip is None or not rows or _cut_job(db, clip_id):
            return
    for row in rows:
        files.delete(clip.client_id, clip_id, part_file(row.id))
    with store.write() as db:
        db.execute(delete(Job).where(Job.id.in_([row.id for row in rows])))


def clear_all(store: Store, files: Files) -> None:
    """The same for every clip: what a crash left."""
    with store.read() as db:
        clips = list(db.scalars(select(Job.clip_id).where(Job.part > 0).distinct()))
    for clip_id in clips:
        clear(store, files, clip_id)
