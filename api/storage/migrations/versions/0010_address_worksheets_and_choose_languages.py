"""Address worksheets and choose languages."""

import sqlalchemy as sa
from alembic import op

revision = "0010"
down_revision = "0009"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "public_address",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("url", sa.String(), nullable=False),
        sa.CheckConstraint("id = 1", name=op.f("ck_public_address_one_row")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_public_address")),
    )
    op.create_table(
        "worksheet_key",
        sa.Column("technician_id", sa.String(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("secret", sa.LargeBinary(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("retired_at", sa.DateTime(timezone=True), nullable=True),
        sa.PrimaryKeyConstraint("technician_id", "number", name=op.f("pk_worksheet_key")),
    )
    with op.batch_alter_table("company", schema=None) as batch_op:
        batch_op.add_column(sa.Column("language", sa.String(), nullable=False, server_default="en"))

    with op.batch_alter_table("site", schema=None) as batch_op:
        batch_op.add_column(sa.Column("language", sa.String(), nullable=False, server_default="en"))


def downgrade() -> None:
    with op.batch_alter_table("site", schema=None) as batch_op:
        batch_op.drop_column("language")

    with op.batch_alter_table("company", schema=None) as batch_op:
        batch_op.drop_column("language")

    op.drop_table("worksheet_key")
    op.drop_table("public_address")
