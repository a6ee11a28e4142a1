"""Easier and harder forms that are words: of programme items, and proposed."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
TABLES = ("programme_item", "proposal")


def upgrade() -> None:
    """Apply."""
    for table in TABLES:
        op.add_column(table, sa.Column("form", sa.String(length=200), nullable=False, server_default=""))


def downgrade() -> None:
    """Take back."""
    for table in TABLES:
        op.drop_column(table, "form")
