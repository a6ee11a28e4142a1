"""Routes of clips: the queue of new ones, progress, report, video, track, and what is said about them."""

import asyncio
import gzip
from collections.abc import AsyncIterator
from typing import Annotated, Any

from fastapi import APIRouter, Header, Query, Response
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import StreamingResponse
from fastapi.sse import EventSourceResponse, ServerSentEvent

from analysis.records import Report
from service import access, audit, clips, jobs, motion, results, review
from service.api.deps import (
    APART,
    Db,
    FilesDep,
    PathId,
    QueueDep,
    SelfClient,
    ServicesDep,
    Staff,
    TheClient,
    TheClip,
    Viewer,
)
from service.motion import RangeRow
from service.records.clips import (
    ClipOut,
    CommentIn,
    CommentOut,
    DecisionIn,
    DecisionOut,
    FeedbackIn,
    FeedbackOut,
    FindingRef,
    JobOut,
    ReviewOut,
    TrackOut,
)
from service.store.models import Clip, Person

router = APIRouter(tags=["clips"])
_LOOK_EVERY_S = 0.5
_EXPORT: dict[int | str, dict[str, Any]] = {200: {"content": {m: {} for m in results.MEDIA.values()}}}
_MP4: dict[str, dict[str, Any]] = {"video/mp4": {}}
_VIDEO: dict[int | str, dict[str, Any]] = {
    200: {"content": _MP4},
    206: {"description": "a part of it", "content": _MP4},
}


@router.get("/clips")
def clip_queue(
    db: Db, services: ServicesDep, person: Viewer, new_only: Annotated[bool, Query()] = True
) -> list[ClipOut]:
    """Clips of those whom I may see; by default those that nobody has reviewed."""
    found = clips.queue_of(db, person, new_only=new_only)
    audit.look_at_list(services.store, db, person, {clip.client_id for clip in found}, "clip_queue")
    return found


@router.get("/clients/{client_id}/clips")
def client_clips(db: Db, client: TheClient) -> list[ClipOut]:
    """A client's clips, newest first."""
    return clips.of_client(db, client.id)


@router.get("/clips/{clip_id}")
def clip(db: Db, clip: TheClip) -> ClipOut:
    """One clip and how far it is."""
    return clips.described(db, clip)


@router.delete("/clips/{clip_id}", status_code=204)
def delete_clip(db: Db, files: FilesDep, person: Viewer, clip: TheClip) -> None:
    """Delete a clip with everything that came of it."""
    clips.delete(db, files, person, clip)


@router.get("/clips/{clip_id}/progress", response_class=EventSourceResponse)
async def clip_progress(
    services: ServicesDep, queue: QueueDep, clip: TheClip
) -> AsyncIterator[ServerSentEvent]:
    """How far a clip is, as it changes, until it is measured (server-sent events of `JobOut`)."""
    last = None
    while not services.closing.is_set():
        job = await run_in_threadpool(queue.status, clip.job.id)
        if job is None:
            return
        out = JobOut.model_validate(job)
        if out != last:
            yield ServerSentEvent(data=out, event="progress")
            last = out
        if out.state not in jobs.OPEN:
            return
        await asyncio.sleep(_LOOK_EVERY_S)


@router.post("/clips/{clip_id}/cancel", dependencies=[APART])
def cancel(queue: QueueDep, services: ServicesDep, person: Viewer, clip_id: PathId) -> JobOut:
    """Stop measuring a clip."""
    found = _changed(services, person, clip_id, "cancel")
    return JobOut.model_validate(queue.cancel(found.job.id))


@router.post("/clips/{clip_id}/again", dependencies=[APART])
def measure_again(queue: QueueDep, services: ServicesDep, person: Viewer, clip_id: PathId) -> JobOut:
    """Measure a clip again that failed or was cancelled."""
    found = _changed(services, person, clip_id, "again")
    return JobOut.model_validate(queue.again(found.job.id))


@router.get("/clips/{clip_id}/report", response_model_by_alias=True)
def report(db: Db, clip: TheClip) -> Report:
    """What was measured."""
    return review.report(db, clip)


@router.get("/clips/{clip_id}/export/{form}", response_class=Response, responses=_EXPORT)
def export_clip(db: Db, services: ServicesDep, clip: TheClip, form: results.Form) -> Response:
    """The report to take along, as a file."""
    body = results.written(db, services.files, services.settings.work_dir, clip, form)
    name = f'attachment; filename="{clip.exercise}-{clip.created_at:%Y-%m-%d}.{form}"'
    return Response(body, media_type=results.MEDIA[form], headers={"Content-Disposition": name})


@router.get("/clips/{clip_id}/range-of-motion")
def range_of_motion(db: Db, clip: TheClip) -> list[RangeRow]:
    """How far each joint went, with uncertainty, the other side, earlier sessions and a reference."""
    return motion.table(db, clip)


@router.get("/clips/{clip_id}/video", response_class=StreamingResponse, responses=_VIDEO)
def video(
    db: Db,
    files: FilesDep,
    person: Viewer,
    clip: TheClip,
    wanted: Annotated[str | None, Header(alias="Range", max_length=100)] = None,
) -> Response:
    """The video to watch, whole or in part."""
    access.require_watching(db, person, clip)
    part = clips.part(clips.video_size(files, clip), wanted)
    headers = {"Accept-Ranges": "bytes", "Content-Length": str(part.stop - part.start)}
    if part.partial:
        headers["Content-Range"] = f"bytes {part.start}-{part.stop - 1}/{part.size}"
    return StreamingResponse(
        clips.video(files, clip, part),
        status_code=206 if part.partial else 200,
        media_type="video/mp4",
        headers=headers,
    )


@router.get("/clips/{clip_id}/track", response_model=TrackOut)
def track(
    db: Db,
    files: FilesDep,
    person: Viewer,
    clip: TheClip,
    codings: Annotated[str, Header(alias="Accept-Encoding")] = "",
) -> Response:
    """The body in the picture, to draw over the video."""
    access.require_watching(db, person, clip)
    body, headers = clips.track(files, clip), {"Vary": "Accept-Encoding"}
    if _takes_gzip(codings):
        headers["Content-Encoding"] = "gzip"
    else:
        body = gzip.decompress(body)
    return Response(body, media_type="application/json", headers=headers)


def _takes_gzip(codings: str) -> bool:
    """Whether an Accept-Encoding header lets an answer be compressed (RFC 9110, 12.5.3)."""
    told = {name.strip(): q.strip() for name, _, q in (part.partition(";") for part in codings.split(","))}
    return "gzip" in told and told["gzip"] not in ("q=0", "q=0.0", "q=0.00", "q=0.000")


# ---------------------------------------------------------------------------------- review


@router.get("/clips/{clip_id}/review")
def clip_review(db: Db, clip: TheClip) -> ReviewOut:
    """What people said about a clip."""
    return review.of_clip(db, clip)


@router.post("/clips/{clip_id}/seen", status_code=204)
def seen(db: Db, _person: Staff, clip: TheClip) -> None:
    """A coach or physio has opened the clip."""
    clips.mark_seen(db, clip)


@router.post("/clips/{clip_id}/reviewed", status_code=204)
def reviewed(db: Db, person: Staff, clip: TheClip) -> None:
    """A coach or physio has gone through the report."""
    review.mark_reviewed(db, person, clip)
    audit.record(db, person, db.get(Person, clip.client_id), "changed", "reviewed", clip.id)


@router.put("/clips/{clip_id}/findings/{finding}")
def decide(data: DecisionIn, db: Db, person: Staff, clip: TheClip, finding: FindingRef) -> DecisionOut:
    """Accept a finding, or dismiss it with a reason."""
    return DecisionOut.model_validate(review.decide(db, person, clip, finding, data))


@router.delete("/clips/{clip_id}/findings/{finding}", status_code=204)
def undecide(db: Db, person: Staff, clip: TheClip, finding: FindingRef) -> None:
    """Take a decision back."""
    review.undecide(db, person, clip, finding)


@router.post("/clips/{clip_id}/comments", status_code=201)
def comment(data: CommentIn, db: Db, person: Viewer, clip: TheClip) -> CommentOut:
    """Say something about a moment of a clip."""
    return review.described_comment(db, review.comment(db, person, clip, data))


@router.delete("/clips/{clip_id}/comments/{comment_id}", status_code=204)
def delete_comment(db: Db, person: Viewer, clip: TheClip, comment_id: PathId) -> None:
    """Delete a comment of my own."""
    review.delete_comment(db, person, clip, comment_id)


@router.post("/clips/{clip_id}/feedback", status_code=201)
def send_feedback(data: FeedbackIn, db: Db, person: Staff, clip: TheClip) -> FeedbackOut:
    """Tell the client about a clip; marks it as reviewed."""
    return review.described_feedback(db, review.send_feedback(db, person, clip, data))


@router.post("/clips/{clip_id}/feedback/read", status_code=204)
def read_feedback(db: Db, person: SelfClient, clip: TheClip) -> None:
    """I have read what was sent about a clip."""
    review.mark_read(db, person, clip)


def _changed(services: ServicesDep, person: Person, clip_id: str, what: str) -> Clip:
    """A clip that the person may see, with a note that they changed it; for what has its own transaction."""
    with services.store.write() as db:
        found = access.thing(db, person, Clip, clip_id)
        audit.record(db, person, db.get(Person, found.client_id), "changed", what, clip_id)
    return found
