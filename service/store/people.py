"""Tables of the practice and its people: accounts, agreements, consents, and who saw what."""

from datetime import datetime
from typing import Final, Literal

from sqlalchemy import Index, String, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column, relationship

from service.store.base import Base, key, owned_by
from service.store.columns import now

Role = Literal["coach", "physio", "client"]
STAFF: Final = ("coach", "physio")


class Practice(Base):
    """Owns its people, and says how long video is kept and whom to call."""

    __tablename__ = "practice"
    id: Mapped[str] = key()
    name: Mapped[str] = mapped_column(String(120))
    contact: Mapped[str] = mapped_column(String(200), default="")
    original_days: Mapped[int] = mapped_column(default=7)
    review_days: Mapped[int] = mapped_column(default=90)
    blur_faces: Mapped[bool] = mapped_column(default=True)
    created_at: Mapped[datetime] = mapped_column(default=now)


class Person(Base):
    """A coach, a physio or a client of a practice; `owner` also manages the practice."""

    __tablename__ = "person"
    id: Mapped[str] = key()
    practice_id: Mapped[str] = owned_by("practice", index=True)
    role: Mapped[str] = mapped_column(String(10))
    owner: Mapped[bool] = mapped_column(default=False)
    name: Mapped[str] = mapped_column(String(120))
    email: Mapped[str] = mapped_column(String(254), unique=True)
    password: Mapped[str] = mapped_column(String(200))
    pain_limit: Mapped[int | None]  # of a client, where a coach set another than the common one
    created_at: Mapped[datetime] = mapped_column(default=now)
    practice: Mapped[Practice] = relationship(lazy="joined")

    @property
    def is_staff(self) -> bool:
        """Whether the person works for the practice."""
        return self.role in STAFF


class SignIn(Base):
    """A session in a browser; only a digest of its token is kept."""

    __tablename__ = "sign_in"
    id: Mapped[str] = key()
    person_id: Mapped[str] = owned_by("person", index=True)
    digest: Mapped[str] = mapped_column(String(64), unique=True)
    created_at: Mapped[datetime] = mapped_column(default=now)
    seen_at: Mapped[datetime] = mapped_column(default=now)


class ApiToken(Base):
    """A token for scripts, with the rights of its person."""

    __tablename__ = "api_token"
    id: Mapped[str] = key()
    person_id: Mapped[str] = owned_by("person", index=True)
    name: Mapped[str] = mapped_column(String(80))
    digest: Mapped[str] = mapped_column(String(64), unique=True)
    created_at: Mapped[datetime] = mapped_column(default=now)
    used_at: Mapped[datetime | None]


class Invitation(Base):
    """A link by which one person joins a practice, once."""

    __tablename__ = "invitation"
    id: Mapped[str] = key()
    practice_id: Mapped[str] = owned_by("practice", index=True)
    created_by: Mapped[str] = owned_by("person")
    role: Mapped[str] = mapped_column(String(10))
    digest: Mapped[str] = mapped_column(String(64), unique=True)
    created_at: Mapped[datetime] = mapped_column(default=now)
    expires_at: Mapped[datetime]
    used_at: Mapped[datetime | None]


class Failure(Base):
    """Tries in a span of time: wrong passwords of one account, or tries to get in from one address."""

    __tablename__ = "failure"
    digest: Mapped[str] = mapped_column(String(64), primary_key=True)
    since: Mapped[datetime] = mapped_column(default=now)
    count: Mapped[int] = mapped_column(default=0)


class Agreement(Base):
    """A client lets one coach or physio see their data, until withdrawn."""

    __tablename__ = "agreement"
    __table_args__ = (UniqueConstraint("client_id", "staff_id"),)
    id: Mapped[str] = key()
    client_id: Mapped[str] = owned_by("person", index=True)
    staff_id: Mapped[str] = owned_by("person", index=True)
    given_at: Mapped[datetime] = mapped_column(default=now)


class Consent(Base):
    """Agreement to one purpose, as worded in one version; kept when withdrawn, as a record."""

    __tablename__ = "consent"
    id: Mapped[str] = key()
    person_id: Mapped[str] = owned_by("person", index=True)
    purpose: Mapped[str] = mapped_column(String(20))
    version: Mapped[int]
    given_at: Mapped[datetime] = mapped_column(default=now)
    withdrawn_at: Mapped[datetime | None]


class AuditEntry(Base):
    """Who saw or changed what, and when; never what was in it."""

    __tablename__ = "audit_entry"
    __table_args__ = (Index("ix_audit_subject_at", "subject_id", "at"),)
    id: Mapped[str] = key()
    at: Mapped[datetime] = mapped_column(default=now, index=True)
    practice_id: Mapped[str] = owned_by("practice")
    actor_id: Mapped[str | None] = owned_by("person", gone="SET NULL", null=True)
    subject_id: Mapped[str | None] = owned_by("person", null=True)
    action: Mapped[str] = mapped_column(String(7))
    what: Mapped[str] = mapped_column(String(60))
    object_id: Mapped[str] = mapped_column(String(32), default="")
