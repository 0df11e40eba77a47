"""Repair plans; tell how far from perfect they may be."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    with op.batch_alter_table("plan", schema=None) as batch_op:
        batch_op.add_column(
            sa.Column("repairs", sa.Boolean(), nullable=False, server_default=sa.false())
        )
        batch_op.add_column(sa.Column("lower_bound", sa.Integer(), nullable=True))


def downgrade() -> None:
    with op.batch_alter_table("plan", schema=None) as batch_op:
        batch_op.drop_column("lower_bound")
        batch_op.drop_column("repairs")
