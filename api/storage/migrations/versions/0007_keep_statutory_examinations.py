"""Keep statutory examinations."""

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "examination",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("machine_id", sa.String(), nullable=False),
        sa.Column("fitted_part_id", sa.String(), nullable=True),
        sa.Column("rule", sa.String(), nullable=False),
        sa.Column("certificate", sa.String(), nullable=False),
        sa.Column("competent_person", sa.String(), nullable=False),
        sa.Column("body", sa.String(), nullable=False),
        sa.Column("examined_on", sa.Date(), nullable=False),
        sa.Column("result", sa.String(), nullable=False),
        sa.Column("valid_until", sa.Date(), nullable=True),
        sa.Column("findings", sa.String(), nullable=False),
        sa.Column("recorded_by", sa.String(), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("corrects", sa.String(), nullable=True),
        sa.Column("withdrawn", sa.Boolean(), nullable=False),
        sa.Column("reason", sa.String(), nullable=False),
        *(
            sa.ForeignKeyConstraint(
                [column],
                [f"{table}.id"],
                name=f"fk_examination_{column}",
                initially="DEFERRED",
                deferrable=True,
            )
            for column, table in (
                ("machine_id", "machine"),
                ("fitted_part_id", "fitted_part"),
                ("corrects", "examination"),
            )
        ),
        sa.PrimaryKeyConstraint("id", name="pk_examination"),
        sa.UniqueConstraint("corrects", name="uq_examination_corrects"),
    )
    op.create_index("ix_examination_machine_id", "examination", ["machine_id"])
    op.create_index("ix_examination_valid_until", "examination", ["valid_until"])
    op.add_column("machine", sa.Column("certified_until", sa.Date(), nullable=True))


def downgrade() -> None:
    op.drop_column("machine", "certified_until")
    op.drop_table("examination")
