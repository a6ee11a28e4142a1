"""Column types shared by all tables."""

from datetime import UTC, datetime
from typing import Any
from uuid import uuid4

from sqlalchemy import DateTime, Dialect, TypeDecorator


class Utc(TypeDecorator[datetime]):
    """A moment in UTC; SQLite forgets the zone, so it is taken off and put back on here."""

    impl = DateTime
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """Moment with a zone -> naive UTC."""
        return None if value is None else value.astimezone(UTC).replace(tzinfo=None)

    def process_result_value(self, value: Any | None, dialect: Dialect) -> datetime | None:
        """Naive UTC -> moment with a zone."""
        return None if value is None else value.replace(tzinfo=UTC)


def new_id() -> str:
    """Random identifier, 32 hexadecimal digits: cannot be guessed, tells nothing."""
    return uuid4().hex


def now() -> datetime:
    """This moment, in UTC."""
    return datetime.now(UTC)
