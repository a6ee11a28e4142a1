"""Records of uploads, clips, their jobs, and what people said about them."""

from datetime import datetime
from typing import Annotated, Literal

from pydantic import BaseModel, Field

from service.records.base import In, Note, Out, Side, Words
from service.store.models import JobState

FindingRef = Annotated[str, Field(pattern=r"^(set|r[0-9]{1,4})\.[a-z_]{1,40}\.[0-9]{1,3}$")]


class JobOut(Out):
    """How far a clip is. `progress` 0..1; `reason` says why it failed."""

    state: JobState
    stage: str
    progress: float
    attempts: int
    reason: str
    started_at: datetime | None
    finished_at: datetime | None


class ClipOut(Out):
    """A clip and what is there of it."""

    id: str
    client_id: str
    client_name: str = ""
    session_id: str | None
    item_id: str | None
    exercise: str
    side: Side
    size: int
    duration_s: float
    width: int
    height: int
    created_at: datetime
    seen_at: datetime | None
    original: bool
    review_video: bool
    track: bool
    job: JobOut
    summary: "SummaryOut | None" = None


class SummaryOut(Out):
    """A report in a line."""

    usable: bool
    repetitions: int
    flagged: int
    reviewed_at: datetime | None


class UploadOut(BaseModel):
    """Where an upload stands; once `accepted`, the clip has the same identifier."""

    id: str
    state: Literal["receiving", "accepted", "refused"]
    offset: int
    length: int
    reason: str


class DecisionIn(In):
    """A finding is accepted, or dismissed with a reason."""

    accepted: bool
    reason: Note = ""


class DecisionOut(Out):
    """What was decided about a finding, named as `finding_ref` names it."""

    finding: str
    accepted: bool
    reason: str
    decided_by: str | None
    decided_at: datetime


class CommentIn(In):
    """Words about a moment of the clip [s], or about the whole."""

    at_s: float | None = Field(default=None, ge=0, le=36000)
    text: Words


class CommentOut(Out):
    """A comment."""

    id: str
    author_id: str | None
    author: str = ""
    at_s: float | None
    text: str
    created_at: datetime


class FeedbackIn(In):
    """What the client is told about a clip."""

    text: Words


class FeedbackOut(Out):
    """What the client was told, and whether it was read."""

    id: str
    clip_id: str
    author_id: str | None
    author: str = ""
    text: str
    sent_at: datetime
    read_at: datetime | None


class ReviewOut(BaseModel):
    """Everything people said about a clip."""

    decisions: list[DecisionOut]
    comments: list[CommentOut]
    feedback: list[FeedbackOut]


class TrackOut(BaseModel):
    """The body in the picture, to draw over the video: times [s], points (T, 33, 2) as shares of the
    picture's width and height, null where not seen."""

    time_s: list[float]
    points: list[list[list[float] | None]]
