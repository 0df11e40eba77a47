"""Run the migrations on an open connection, within its transaction."""

from functools import cache
from pathlib import Path
from typing import Any

from alembic import command
from alembic.config import Config
from alembic.script import ScriptDirectory
from sqlalchemy import Connection, inspect, text


def upgrade(connection: Connection, revision: str = "head") -> None:
    """Bring the tables to ``revision``; the caller's transaction holds all of it or nothing."""
    command.upgrade(_config(connection), revision)


def check(connection: Connection) -> None:
    """Raise ``alembic.util.CommandError`` when the tables and the migrations do not agree."""
    command.check(_config(connection))


def draft(connection: Connection, subject: str) -> Path:
    """Write the next migration and return its file."""
    config = _config(connection)
    steps = len(list(ScriptDirectory.from_config(config).walk_revisions()))
    script: Any = command.revision(config, subject, autogenerate=True, rev_id=f"{steps + 1:04d}")
    return Path(script.path)


def is_current(connection: Connection) -> bool:
    """Whether every migration has been run here."""
    if not inspect(connection).has_table("alembic_version"):
        return False
    found = connection.execute(text("SELECT version_num FROM alembic_version")).scalars()
    return frozenset(found) == heads()


@cache
def heads() -> frozenset[str]:
    """Return the migrations none comes after; there must be one, or no database can be upgraded."""
    return frozenset(ScriptDirectory(str(Path(__file__).parent)).get_heads())


def _config(connection: Connection) -> Config:
    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent))
    config.set_main_option("file_template", "%%(rev)s_%%(slug)s")
    config.attributes["connection"] = connection
    return config
