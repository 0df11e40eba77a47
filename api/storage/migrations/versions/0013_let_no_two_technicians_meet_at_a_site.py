"""Let no two technicians meet at a site.

No table changes: a database that has come this far gets the guards of this program, which are
laid after every upgrade. Appointments that met before stay as they are.
"""

revision = "0013"
down_revision = "0012"
branch_labels = None
depends_on = None


def upgrade() -> None:
    pass


def downgrade() -> None:
    pass
