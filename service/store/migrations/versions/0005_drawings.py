"""The drawings of a report's curves, which are made once; older reports are drawn at each look."""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"


def upgrade() -> None:
    """Apply."""
    op.add_column("report", sa.Column("curves", sa.Text(), nullable=True))


def downgrade() -> None:
    """Take back."""
    op.drop_column("report", "curves")
