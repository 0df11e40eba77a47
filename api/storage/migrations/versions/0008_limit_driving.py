"""Limit driving; begin days at the workshop."""

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None


def upgrade() -> None:
    with op.batch_alter_table("technician", schema=None) as batch_op:
        batch_op.add_column(sa.Column("driving_limit_minutes", sa.Integer(), nullable=True))
        batch_op.add_column(
            sa.Column("workshop_days", sa.JSON(), nullable=False, server_default="[]")
        )


def downgrade() -> None:
    with op.batch_alter_table("technician", schema=None) as batch_op:
        batch_op.drop_column("workshop_days")
        batch_op.drop_column("driving_limit_minutes")
