"""Keep standstills."""

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "standstill",
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("machine_id", sa.String(), nullable=False),
        sa.Column("visit_id", sa.String(), nullable=False),
        sa.Column("began_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("because", sa.String(), nullable=False),
        sa.Column("ended_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("ended_by", sa.String(), nullable=False),
        sa.Column("ended_because", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(
            ["machine_id"],
            ["machine.id"],
            name="fk_standstill_machine_id",
            initially="DEFERRED",
            deferrable=True,
        ),
        sa.ForeignKeyConstraint(
            ["visit_id"],
            ["visit.id"],
            name="fk_standstill_visit_id",
            initially="DEFERRED",
            deferrable=True,
        ),
        sa.PrimaryKeyConstraint("id", name="pk_standstill"),
    )
    op.create_index("ix_standstill_ended_at", "standstill", ["ended_at"])
    op.create_index("ix_standstill_machine_id", "standstill", ["machine_id"])
    op.add_column(
        "machine", sa.Column("out_of_service_since", sa.DateTime(timezone=True), nullable=True)
    )


def downgrade() -> None:
    op.drop_column("machine", "out_of_service_since")
    op.drop_table("standstill")
