"""Correct counter readings."""

import sqlalchemy as sa
from alembic import op

revision = "0012"
down_revision = "0011"
branch_labels = None
depends_on = None


def upgrade() -> None:
    with op.batch_alter_table("meter_reading", schema=None) as batch_op:
        batch_op.add_column(sa.Column("corrects", sa.String(), nullable=True))
        batch_op.add_column(
            sa.Column("withdrawn", sa.Boolean(), nullable=False, server_default=sa.false())
        )
        batch_op.add_column(sa.Column("reason", sa.String(), nullable=False, server_default=""))
        batch_op.create_unique_constraint(batch_op.f("uq_meter_reading_corrects"), ["corrects"])
        batch_op.create_foreign_key(
            batch_op.f("fk_meter_reading_corrects"),
            "meter_reading",
            ["corrects"],
            ["id"],
            initially="DEFERRED",
            deferrable=True,
        )


def downgrade() -> None:
    with op.batch_alter_table("meter_reading", schema=None) as batch_op:
        batch_op.drop_constraint(batch_op.f("fk_meter_reading_corrects"), type_="foreignkey")
        batch_op.drop_constraint(batch_op.f("uq_meter_reading_corrects"), type_="unique")
        batch_op.drop_column("reason")
        batch_op.drop_column("withdrawn")
        batch_op.drop_column("corrects")
