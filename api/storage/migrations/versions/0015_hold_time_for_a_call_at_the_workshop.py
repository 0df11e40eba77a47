"""Hold time for a call at the workshop."""

import sqlalchemy as sa
from alembic import op

revision = "0015"
down_revision = "0014"
branch_labels = None
depends_on = None


def upgrade() -> None:
    with op.batch_alter_table("hold", schema=None) as batch_op:
        batch_op.add_column(sa.Column("call_minutes", sa.Integer(), nullable=True))


def downgrade() -> None:
    with op.batch_alter_table("hold", schema=None) as batch_op:
        batch_op.drop_column("call_minutes")
