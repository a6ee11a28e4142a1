"""Job rows: what happens to each clip. The row is the truth; the engine decides who works on it.

Every change asks what the row says now, so that a job taken over from a dead worker, or one done
twice by accident, changes it once.
"""

from datetime import timedelta
from typing import Final

from sqlalchemy import exists, select, update
from sqlalchemy.orm import Session, aliased

from service.errors import Conflict
from service.store.columns import now
from service.store.models import Clip, Job

OPEN: Final = ("queued", "running")


def add(db: Session, clip: Clip) -> Job:
    """Make the waiting job of a new clip."""
    job = Job(clip_id=clip.id)
    db.add(job)
    db.flush()
    return job


def workflow_id(job: Job) -> str:
    """Name of this run of the job for the engine: the same name is never run twice."""
    return f"{job.clip_id}-{job.id}-{job.run}" if job.part else f"{job.id}-{job.run}"


def names_of(clip: Clip) -> list[str]:
    """How the names begin that the engine has for a clip's runs, those of its parts too."""
    return [f"{clip.job.id}-", f"{clip.id}-"]


def own(db: Session, job_id: str) -> Job | None:
    """The own job of the clip that a job is for; nobody else can lock it until the transaction ends.

    Whoever changes several jobs of a clip takes this lock first.
    """
    clip_id = select(Job.clip_id).where(Job.id == job_id).scalar_subquery()
    return db.scalar(select(Job).where(Job.clip_id == clip_id, Job.part == 0).with_for_update())


def waits_for_parts(db: Session, job: Job) -> bool:
    """Whether nobody is to work on a clip's own job yet, because parts of it are being measured."""
    open_parts = exists().where(Job.clip_id == job.clip_id, Job.part > 0, Job.state.in_(OPEN))
    return job.part == 0 and bool(db.scalar(select(open_parts)))


def begin(db: Session, job_id: str, most: int) -> Job | None:
    """Count a start; None where the job is not to be worked on: finished, cancelled, gone, given up, or
    waiting for its parts.

    After `most` starts without an end the clip is taken for poisonous, and fails with a reason.
    """
    whole = own(db, job_id)
    job = db.get(Job, job_id)
    if whole is None or job is None or job.state not in OPEN or waits_for_parts(db, job):
        return None
    if job.cancel:
        end(db, job_id, "cancelled")
        return None
    if job.attempts >= most:
        end(db, whole.id, "failed", "Measuring stopped the program each time. Film the clip again, shorter.")
        return None
    job.attempts += 1
    job.state, job.started_at = "running", job.started_at or now()
    return job


def tell(db: Session, job_id: str, stage: str, progress: float) -> bool:
    """Note how far a job is; returns whether to go on (False: cancelled, or gone with its clip)."""
    query = update(Job).where(Job.id == job_id, Job.state == "running")
    changed = db.execute(query.values(stage=stage, progress=min(1.0, max(0.0, progress))))
    if changed.rowcount != 1:  # type: ignore[attr-defined]
        return False
    return not db.scalar(select(Job.cancel).where(Job.id == job_id))


def end(db: Session, job_id: str, state: str, reason: str = "") -> bool:
    """Finish a job, once; returns whether this call did it. Parts end with the clip's own job."""
    query = update(Job).where(Job.id == job_id, Job.state.in_(OPEN))
    values = {"state": state, "reason": reason[:500], "finished_at": now(), "stage": state, "survey": None}
    if state == "done":
        values["progress"] = 1.0
    if db.execute(query.values(**values)).rowcount != 1:  # type: ignore[attr-defined]
        return False
    clip_id = select(Job.clip_id).where(Job.id == job_id, Job.part == 0).scalar_subquery()
    parts = update(Job).where(Job.clip_id == clip_id, Job.part > 0, Job.state.in_(OPEN))
    db.execute(parts.values(state="cancelled", finished_at=now()))
    return True


def request_cancel(db: Session, job: Job) -> None:
    """Ask for an end; a waiting job ends now, a running one at its worker's next look.

    The job must be locked: it may be about to be cut into parts.
    """
    if job.state not in OPEN:
        raise Conflict("This clip is not being measured any more.")
    job.cancel = True
    if job.state == "queued" or waits_for_parts(db, job):
        end(db, job.id, "cancelled")
        db.refresh(job)


def again(db: Session, job: Job) -> Job:
    """A new run of a job that failed or was cancelled."""
    if job.state in OPEN:
        raise Conflict("This clip is being measured already.")
    if not db.get_one(Clip, job.clip_id).original:
        raise Conflict("The original video was deleted after its time, so it cannot be measured again.")
    job.run += 1
    job.attempts, job.progress, job.cancel = 0, 0.0, False
    job.state, job.stage, job.reason = "queued", "waiting", ""
    job.started_at = job.finished_at = None
    return job


def waiting_long(db: Session, age: timedelta = timedelta(seconds=30)) -> list[Job]:
    """Jobs that should be with the engine by now; enqueueing them again does no harm."""
    part = aliased(Job)
    waits = exists().where(part.clip_id == Job.clip_id, part.part > 0, part.state.in_(OPEN), Job.part == 0)
    query = select(Job).where(Job.state.in_(OPEN), Job.created_at < now() - age, ~waits)
    return list(db.scalars(query))
