"""Tables of clips: uploads, the clips, their jobs and reports, and what people said about them."""

from datetime import datetime
from typing import Any, Literal

from sqlalchemy import JSON, BigInteger, ForeignKey, Index, String, Text, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column, relationship

from service.store.base import Base, key, owned_by
from service.store.columns import now

JobState = Literal["queued", "running", "done", "failed", "cancelled"]


class Upload(Base):
    """A file on its way in; how much has arrived is the length of the file itself."""

    __tablename__ = "upload"
    id: Mapped[str] = key()
    client_id: Mapped[str] = owned_by("person", index=True)
    created_by: Mapped[str] = owned_by("person", index=True)
    session_id: Mapped[str | None] = owned_by("practice_session", gone="SET NULL", null=True)
    item_id: Mapped[str | None] = owned_by("programme_item", gone="SET NULL", null=True)
    exercise: Mapped[str] = mapped_column(String(60))
    side: Mapped[str] = mapped_column(String(5))
    length: Mapped[int] = mapped_column(BigInteger)
    created_at: Mapped[datetime] = mapped_column(default=now)
    refused: Mapped[str] = mapped_column(String(500), default="")


class Clip(Base):
    """A clip that was accepted, with its job, and the files that are still there."""

    __tablename__ = "clip"
    __table_args__ = (Index("ix_clip_client_created", "client_id", "created_at"),)
    id: Mapped[str] = key()
    client_id: Mapped[str] = owned_by("person")
    session_id: Mapped[str | None] = owned_by("practice_session", gone="SET NULL", null=True, index=True)
    item_id: Mapped[str | None] = owned_by("programme_item", gone="SET NULL", null=True)
    exercise: Mapped[str] = mapped_column(String(60))
    side: Mapped[str] = mapped_column(String(5))
    size: Mapped[int] = mapped_column(BigInteger)
    duration_s: Mapped[float]
    width: Mapped[int]
    height: Mapped[int]
    created_at: Mapped[datetime] = mapped_column(default=now)
    original: Mapped[bool] = mapped_column(default=True)
    review_video: Mapped[bool] = mapped_column(default=False)
    track: Mapped[bool] = mapped_column(default=False)
    seen_at: Mapped[datetime | None]
    job: Mapped["Job"] = relationship(
        primaryjoin="and_(Clip.id == Job.clip_id, Job.part == 0)",
        back_populates="clip",
        lazy="joined",
        passive_deletes="all",
    )


class Job(Base):
    """What happens to a clip; this row is the truth, the engine only decides who works on it.

    Part 0 is the clip's own job. A long clip has others while it is measured, numbered from 1, and
    then `survey` holds what all of them start from.
    """

    __tablename__ = "job"
    __table_args__ = (UniqueConstraint("clip_id", "part"),)
    id: Mapped[str] = key()
    clip_id: Mapped[str] = owned_by("clip")
    part: Mapped[int] = mapped_column(default=0)
    survey: Mapped[dict[str, Any] | None] = mapped_column(JSON(none_as_null=True), deferred=True)
    state: Mapped[str] = mapped_column(String(9), default="queued", index=True)
    run: Mapped[int] = mapped_column(default=1)
    attempts: Mapped[int] = mapped_column(default=0)
    progress: Mapped[float] = mapped_column(default=0.0)
    stage: Mapped[str] = mapped_column(String(40), default="waiting")
    reason: Mapped[str] = mapped_column(String(500), default="")
    cancel: Mapped[bool] = mapped_column(default=False)
    created_at: Mapped[datetime] = mapped_column(default=now)
    started_at: Mapped[datetime | None]
    finished_at: Mapped[datetime | None]
    clip: Mapped[Clip] = relationship(back_populates="job")


class StoredReport(Base):
    """The report of a clip as JSON, whole and `slim` without its curves, which are drawn in `curves`
    (`drawings.Drawings`); and what lists need of it."""

    __tablename__ = "report"
    clip_id: Mapped[str] = mapped_column(
        String(32), ForeignKey("clip.id", ondelete="CASCADE"), primary_key=True
    )
    body: Mapped[str] = mapped_column(Text, deferred=True)
    slim: Mapped[str] = mapped_column(Text, deferred=True)
    curves: Mapped[str | None] = mapped_column(Text, deferred=True)
    ranges: Mapped[dict[str, Any]] = mapped_column(default=dict)
    usable: Mapped[bool]
    repetitions: Mapped[int]
    flagged: Mapped[int]
    created_at: Mapped[datetime] = mapped_column(default=now)
    reviewed_by: Mapped[str | None] = owned_by("person", gone="SET NULL", null=True)
    reviewed_at: Mapped[datetime | None]


class Decision(Base):
    """A finding accepted or dismissed by a coach or physio, with the reason."""

    __tablename__ = "decision"
    __table_args__ = (UniqueConstraint("clip_id", "finding"),)
    id: Mapped[str] = key()
    clip_id: Mapped[str] = owned_by("clip", index=True)
    finding: Mapped[str] = mapped_column(String(80))
    accepted: Mapped[bool]
    reason: Mapped[str] = mapped_column(String(500), default="")
    decided_by: Mapped[str | None] = owned_by("person", gone="SET NULL", null=True)
    decided_at: Mapped[datetime] = mapped_column(default=now)


class Comment(Base):
    """Words about a moment of a clip [s], or about the whole of it."""

    __tablename__ = "comment"
    id: Mapped[str] = key()
    clip_id: Mapped[str] = owned_by("clip", index=True)
    author_id: Mapped[str | None] = owned_by("person", gone="SET NULL", null=True)
    at_s: Mapped[float | None]
    text: Mapped[str] = mapped_column(String(2000))
    created_at: Mapped[datetime] = mapped_column(default=now)


class Feedback(Base):
    """What a coach or physio sent to the client about a clip."""

    __tablename__ = "feedback"
    id: Mapped[str] = key()
    clip_id: Mapped[str] = owned_by("clip", index=True)
    author_id: Mapped[str | None] = owned_by("person", gone="SET NULL", null=True)
    text: Mapped[str] = mapped_column(String(4000))
    sent_at: Mapped[datetime] = mapped_column(default=now)
    read_at: Mapped[datetime | None]
