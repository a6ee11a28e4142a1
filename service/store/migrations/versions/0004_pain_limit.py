"""The pain from which a client's session does not start, where it is set for them."""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"


def upgrade() -> None:
    """Apply."""
    op.add_column("person", sa.Column("pain_limit", sa.Integer(), nullable=True))


def downgrade() -> None:
    """Take back."""
    op.drop_column("person", "pain_limit")
