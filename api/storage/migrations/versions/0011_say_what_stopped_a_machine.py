"""Say what stopped a machine and who answers for it."""

import sqlalchemy as sa
from alembic import op

revision = "0011"
down_revision = "0010"
branch_labels = None
depends_on = None


def upgrade() -> None:
    with op.batch_alter_table("standstill", schema=None) as batch_op:
        batch_op.add_column(sa.Column("examination_id", sa.String(), nullable=True))
        batch_op.add_column(
            sa.Column("set_points", sa.JSON(), nullable=False, server_default=sa.text("'[]'"))
        )
        batch_op.add_column(sa.Column("ended_for", sa.String(), nullable=False, server_default=""))
        batch_op.alter_column("visit_id", existing_type=sa.String(), nullable=True)
        batch_op.create_foreign_key(
            batch_op.f("fk_standstill_examination_id"),
            "examination",
            ["examination_id"],
            ["id"],
            initially="DEFERRED",
            deferrable=True,
        )
    _name_what_was_read()


def _name_what_was_read() -> None:
    """Take from the values of the visit what stopped each machine so far."""
    connection = op.get_bind()
    read = connection.execute(
        sa.text(
            "SELECT s.id, m.set_point FROM standstill AS s JOIN measurement AS m "
            "ON m.visit_id = s.visit_id AND m.machine_id = s.machine_id "
            "WHERE m.verdict = 'stop_and_make_safe' ORDER BY s.id, m.set_point"
        )
    )
    table = sa.table("standstill", sa.column("id", sa.String), sa.column("set_points", sa.JSON))
    found: dict[str, list[str]] = {}
    for standstill, set_point in read:
        if set_point not in found.setdefault(standstill, []):
            found[standstill].append(set_point)
    for standstill, set_points in found.items():
        connection.execute(
            table.update().where(table.c.id == standstill).values(set_points=set_points)
        )


def downgrade() -> None:
    with op.batch_alter_table("standstill", schema=None) as batch_op:
        batch_op.drop_constraint(batch_op.f("fk_standstill_examination_id"), type_="foreignkey")
        batch_op.alter_column("visit_id", existing_type=sa.String(), nullable=False)
        batch_op.drop_column("ended_for")
        batch_op.drop_column("set_points")
        batch_op.drop_column("examination_id")
