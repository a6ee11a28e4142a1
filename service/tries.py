"""Tries that may be guesses, counted in the database, so that they count on all servers together."""

from datetime import timedelta
from typing import Any

from sqlalchemy import case
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.orm import Session

from service.errors import TooMany
from service.secret import digest
from service.store.columns import now
from service.store.models import Failure

LONGEST = timedelta(minutes=15)  # over which anything is counted; older rows say nothing any more
_INSERT = {"postgresql": postgresql.insert, "sqlite": sqlite.insert}


def check(db: Session, who: str, most: int, span: timedelta) -> None:
    """Raise TooMany where `who` has tried `most` times within the span."""
    row = db.get(Failure, digest(who))
    if row is None or row.count < most:
        return
    left_s = (row.since + span - now()).total_seconds()
    if left_s > 0:
        raise TooMany(left_s)


def count(db: Session, who: str, span: timedelta) -> None:
    """Count a try; the first after the span begins a new one. One statement: servers may count at once."""
    row: Any = _INSERT[db.get_bind().dialect.name](Failure).values(digest=digest(who), since=now(), count=1)
    over = Failure.since <= now() - span
    changed = {
        "since": case((over, row.excluded.since), else_=Failure.since),
        "count": case((over, 1), else_=Failure.count + 1),
    }
    db.execute(row.on_conflict_do_update(index_elements=[Failure.digest], set_=changed))
