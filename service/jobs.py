"""Job rows: what happens to each clip. The row is the truth; the engine decides who works on it.

Every change asks what the row says now, so that a job taken over from a dead worker, or one done
twice by accident, changes it once.
"""

from datetime import timedelta
from typing import Final

from sqlalchemy import select, update
from sqlalchemy.orm import Session

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
    return f"{job.id}-{job.run}"


def begin(db: Session, job_id: str, most: int) -> Job | None:
    """Count a start; None where the job is not to be worked on: finished, cancelled, gone, or given up.

    After `most` starts without an end the clip is taken for poisonous, and fails with a reason.
    """
    job = db.get(Job, job_id, with_for_update=True)
    if job is None or job.state not in OPEN:
        return None
    if job.cancel:
        end(db, job_id, "cancelled")
        return None
    if job.attempts >= most:
        end(db, job_id, "failed", "Measuring stopped the program each time. Film the clip again, shorter.")
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
    """Finish a job, once; returns whether this call did it."""
    query = update(Job).where(Job.id == job_id, Job.state.in_(OPEN))
    values = {"state": state, "reason": reason[:500], "finished_at": now(), "stage": state}
    if state == "done":
        values["progress"] = 1.0
    return bool(db.execute(query.values(**values)).rowcount == 1)  # type: ignore[attr-defined]


def request_cancel(db: Session, job: Job) -> None:
    """Ask for an end; a waiting job ends now, a running one at its worker's next look."""
    if job.state not in OPEN:
        raise Conflict("This clip is not being measured any more.")
    job.cancel = True
    if job.state == "queued":
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
    return list(db.scalars(select(Job).where(Job.state.in_(OPEN), Job.created_at < now() - age)))
