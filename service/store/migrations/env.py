"""Runs migrations on the connection it is handed; SQLite alters tables by copying them."""

from alembic import context
from sqlalchemy import Connection

from service.store.models import Base


def run(connection: Connection) -> None:
    """Migrate in one transaction."""
    context.configure(connection=connection, target_metadata=Base.metadata, render_as_batch=True)
    with context.begin_transaction():
        context.run_migrations()


run(context.config.attributes["connection"])
