"""Tables of what a client is to do and did: programme, targets, proposals, sessions."""

from datetime import date, datetime
from typing import Any

from sqlalchemy import String, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from service.store.base import Base, key, owned_by
from service.store.columns import now


class ProgrammeItem(Base):
    """One exercise of a client's programme; `days` are ISO weekdays, 1 Monday to 7 Sunday.

    `form` says in words how it is done where not as usual.
    """

    __tablename__ = "programme_item"
    id: Mapped[str] = key()
    client_id: Mapped[str] = owned_by("person", index=True)
    created_by: Mapped[str | None] = owned_by("person", gone="SET NULL", null=True)
    position: Mapped[int] = mapped_column(default=0)
    exercise: Mapped[str] = mapped_column(String(60))
    side: Mapped[str] = mapped_column(String(5))
    repetitions: Mapped[int | None]
    hold_s: Mapped[float | None]
    tempo_s: Mapped[float | None]
    range_deg: Mapped[float | None]
    days: Mapped[list[int]]
    note: Mapped[str] = mapped_column(String(500), default="")
    form: Mapped[str] = mapped_column(String(200), default="")
    created_at: Mapped[datetime] = mapped_column(default=now)
    ended_at: Mapped[datetime | None]


class Target(Base):
    """A coach's own target or tolerance for one client, one exercise and one measure."""

    __tablename__ = "target"
    __table_args__ = (UniqueConstraint("client_id", "exercise", "name"),)
    id: Mapped[str] = key()
    client_id: Mapped[str] = owned_by("person", index=True)
    created_by: Mapped[str | None] = owned_by("person", gone="SET NULL", null=True)
    exercise: Mapped[str] = mapped_column(String(60))
    name: Mapped[str] = mapped_column(String(60))
    value: Mapped[float]
    created_at: Mapped[datetime] = mapped_column(default=now)


class Proposal(Base):
    """An easier or harder form for a programme item; nothing changes until a coach confirms it."""

    __tablename__ = "proposal"
    id: Mapped[str] = key()
    client_id: Mapped[str] = owned_by("person", index=True)
    item_id: Mapped[str] = owned_by("programme_item")
    direction: Mapped[str] = mapped_column(String(6))
    exercise: Mapped[str] = mapped_column(String(60))
    form: Mapped[str] = mapped_column(String(200), default="")
    reason: Mapped[str] = mapped_column(String(500))
    state: Mapped[str] = mapped_column(String(9), default="proposed")
    created_at: Mapped[datetime] = mapped_column(default=now)
    decided_by: Mapped[str | None] = owned_by("person", gone="SET NULL", null=True)
    decided_at: Mapped[datetime | None]


class PracticeSession(Base):
    """One sitting of a client: pain before and after, the warning signs, the clips."""

    __tablename__ = "practice_session"
    id: Mapped[str] = key()
    client_id: Mapped[str] = owned_by("person", index=True)
    day: Mapped[date]
    started_at: Mapped[datetime] = mapped_column(default=now)
    ended_at: Mapped[datetime | None]
    pain_before: Mapped[int | None]
    pain_after: Mapped[int | None]
    answers: Mapped[dict[str, Any]] = mapped_column(default=dict)
    stopped_at: Mapped[datetime | None]
    cleared_at: Mapped[datetime | None]
    cleared_by: Mapped[str | None] = owned_by("person", gone="SET NULL", null=True)
    cleared_note: Mapped[str] = mapped_column(String(500), default="")
