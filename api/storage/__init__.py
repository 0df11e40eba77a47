"""Tables, named queries, snapshots and migrations: the only room that knows the database."""

from sqlmodel import SQLModel

# Before any table is declared: a constraint without a name cannot be changed by a migration.
SQLModel.metadata.naming_convention = {
    "ix": "ix_%(table_name)s_%(column_0_N_name)s",
    "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    "ck": "ck_%(table_name)s_%(constraint_name)s",
    "fk": "fk_%(table_name)s_%(column_0_N_name)s",
    "pk": "pk_%(table_name)s",
}
