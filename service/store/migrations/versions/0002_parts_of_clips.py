"""Long clips are measured in parts, each a job of its own."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    """Apply."""
    with op.batch_alter_table("job") as batch:
        batch.add_column(sa.Column("part", sa.Integer(), nullable=False, server_default="0"))
        batch.add_column(sa.Column("survey", sa.JSON(none_as_null=True), nullable=True))
        batch.drop_constraint("uq_job_clip_id", type_="unique")
        batch.create_unique_constraint("uq_job_clip_id_part", ["clip_id", "part"])


def downgrade() -> None:
    """Take back."""
    op.execute("DELETE FROM job WHERE part > 0")
    with op.batch_alter_table("job") as batch:
        batch.drop_constraint("uq_job_clip_id_part", type_="unique")
        batch.create_unique_constraint("uq_job_clip_id", ["clip_id"])
        batch.drop_column("survey")
        batch.drop_column("part")
