"""Call at the workshop."""

import sqlalchemy as sa
from alembic import op

revision = "0014"
down_revision = "0013"
branch_labels = None
depends_on = None


def upgrade() -> None:
    with op.batch_alter_table("appointment", schema=None) as batch_op:
        batch_op.add_column(sa.Column("call_minutes", sa.Integer(), nullable=True))
        batch_op.add_column(sa.Column("fetch", sa.JSON(), nullable=False, server_default="{}"))


def downgrade() -> None:
    with op.batch_alter_table("appointment", schema=None) as batch_op:
        batch_op.drop_column("fetch")
        batch_op.drop_column("call_minutes")
