"""Read by Alembic: what to compare and how to run a step. ``schema`` hands in the connection."""

from typing import Any, Literal

from alembic import context
from alembic.autogenerate.api import AutogenContext
from sqlalchemy.schema import SchemaItem
from sqlmodel import SQLModel
from sqlmodel.sql.sqltypes import AutoString, UTCDateTime

import api.storage.tables  # noqa: F401 - registers the tables
from api.storage import postgresql, sqlite

_GUARDS = sqlite.GUARD_TABLES | postgresql.GUARD_TABLES | {postgresql.OVERLAP_CONSTRAINT}


def include_object(
    _item: SchemaItem, name: str | None, _kind: str, reflected: bool, _compared_with: Any
) -> bool:
    return not (reflected and name in _GUARDS)


def render_item(_kind: str, item: Any, _context: AutogenContext) -> str | Literal[False]:
    """Write column types without SQLModel: a step must still run when SQLModel has changed."""
    if isinstance(item, UTCDateTime):
        return "sa.DateTime(timezone=True)"
    if isinstance(item, AutoString):
        return "sa.String()"
    return False


context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=SQLModel.metadata,
    render_as_batch=True,
    include_object=include_object,
    render_item=render_item,
)
with context.begin_transaction():
    context.run_migrations()
