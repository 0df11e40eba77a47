"""Keep edits of the catalogue."""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "catalogue_edit",
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("text", sa.String(), nullable=False),
        sa.Column("takes_back", sa.String(), nullable=True),
        sa.Column("reason", sa.String(), nullable=False),
        sa.Column("made_by", sa.String(), nullable=False),
        sa.Column("made_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(
            ["takes_back"],
            ["catalogue_edit.id"],
            name="fk_catalogue_edit_takes_back",
            initially="DEFERRED",
            deferrable=True,
        ),
        sa.PrimaryKeyConstraint("number", name="pk_catalogue_edit"),
        sa.UniqueConstraint("id", name="uq_catalogue_edit_id"),
        sa.UniqueConstraint("takes_back", name="uq_catalogue_edit_takes_back"),
    )


def downgrade() -> None:
    op.drop_table("catalogue_edit")
