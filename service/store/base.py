"""What all tables share: random identifiers, UTC times, named constraints, deletion that follows owners."""

from datetime import datetime
from typing import Any

from sqlalchemy import JSON, ForeignKey, MetaData, String
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column

from service.store.columns import Utc, new_id

# Named constraints, so that one migration history changes them on SQLite and Postgres alike.
NAMES = {
    "ix": "ix_%(table_name)s_%(column_0_N_name)s",
    "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    "ck": "ck_%(table_name)s_%(constraint_name)s",
    "fk": "fk_%(table_name)s_%(column_0_N_name)s_%(referred_table_name)s",
    "pk": "pk_%(table_name)s",
}


class Base(DeclarativeBase):
    """Base of all tables."""

    metadata = MetaData(naming_convention=NAMES)
    type_annotation_map = {datetime: Utc(), dict[str, Any]: JSON(), list[int]: JSON()}  # noqa: RUF012


def key() -> Mapped[str]:
    """Random primary key."""
    return mapped_column(String(32), primary_key=True, default=new_id)


def owned_by(target: str, *, gone: str = "CASCADE", null: bool = False, **kw: Any) -> Mapped[Any]:
    """Reference to a row of `target`; `gone` says what happens when that row is deleted."""
    return mapped_column(String(32), ForeignKey(f"{target}.id", ondelete=gone), nullable=null, **kw)
