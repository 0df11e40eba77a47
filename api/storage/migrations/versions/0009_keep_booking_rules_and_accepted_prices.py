"""Keep booking rules and accepted prices."""

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None

_FIRST_RULES = {
    "window_minutes": 120,
    "step_minutes": 30,
    "offer_notice_minutes": 60,
    "offers": 6,
    "offers_per_day": 2,
    "later_day_minutes": 10,
    "near_minutes": 10,
    "dearest_minutes": 120,
    "overtime_minutes": 90,
    "hold_minutes": 10,
    "holds_per_client": 3,
    "change_notice_minutes": 120,
    "call_out_minor": 9000,
    "hour_rate_minor": 6500,
}


def upgrade() -> None:
    rules = op.create_table(
        "booking_rules",
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("id", sa.Integer(), nullable=False),
        *(sa.Column(name, sa.Integer(), nullable=False) for name in _FIRST_RULES),
        sa.Column("telephone", sa.String(), nullable=False),
        sa.CheckConstraint("id = 1", name="ck_booking_rules_one_row"),
        sa.PrimaryKeyConstraint("id", name="pk_booking_rules"),
    )
    op.bulk_insert(rules, [{"id": 1, "version": 1, "telephone": "", **_FIRST_RULES}])
    op.create_table(
        "price_acceptance",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("callback_id", sa.String(), nullable=False),
        sa.Column("price", sa.JSON(), nullable=False),
        sa.Column("amount_minor", sa.Integer(), nullable=False),
        sa.Column("currency", sa.String(), nullable=False),
        sa.Column("accepted_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("accepted_by", sa.String(), nullable=False),
        sa.Column("actor", sa.String(), nullable=False),
        sa.Column("request_id", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(
            ["callback_id"],
            ["callback.id"],
            name="fk_price_acceptance_callback_id",
            initially="DEFERRED",
            deferrable=True,
        ),
        sa.PrimaryKeyConstraint("id", name="pk_price_acceptance"),
    )
    with op.batch_alter_table("price_acceptance", schema=None) as batch_op:
        batch_op.create_index("ix_price_acceptance_callback_id", ["callback_id"], unique=False)
    with op.batch_alter_table("callback", schema=None) as batch_op:
        batch_op.add_column(sa.Column("price", sa.JSON(), nullable=True))
        batch_op.add_column(sa.Column("photos", sa.JSON(), nullable=False, server_default="[]"))
    with op.batch_alter_table("contract", schema=None) as batch_op:
        batch_op.add_column(sa.Column("call_out_minor", sa.Integer(), nullable=True))
        batch_op.add_column(sa.Column("hour_rate_minor", sa.Integer(), nullable=True))
    with op.batch_alter_table("visit", schema=None) as batch_op:
        batch_op.add_column(
            sa.Column("awaits_price", sa.Boolean(), nullable=False, server_default=sa.false())
        )


def downgrade() -> None:
    with op.batch_alter_table("visit", schema=None) as batch_op:
        batch_op.drop_column("awaits_price")
    with op.batch_alter_table("contract", schema=None) as batch_op:
        batch_op.drop_column("hour_rate_minor")
        batch_op.drop_column("call_out_minor")
    with op.batch_alter_table("callback", schema=None) as batch_op:
        batch_op.drop_column("photos")
        batch_op.drop_column("price")
    op.drop_table("price_acceptance")
    op.drop_table("booking_rules")
