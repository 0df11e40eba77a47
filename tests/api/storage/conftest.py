"""A fresh database per test, on SQLite and, where a server can be started, on PostgreSQL."""

from collections.abc import Iterator

import pytest

from api.storage.database import Database


@pytest.fixture
def database(database_url: str) -> Iterator[Database]:
    database = Database(database_url)
    database.create_or_upgrade()
    yield database
    database.close()
