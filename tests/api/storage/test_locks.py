"""Who keeps whom away from whose time, on PostgreSQL; SQLite has one writer at a time anyway."""

import pytest

from api.storage.database import Database
from api.storage.tables import ClientRow
from scheduler.errors import Busy


@pytest.fixture
def databases(database: Database, database_url: str) -> tuple[Database, Database]:
    return database, Database(database_url, patience_seconds=0.2)


@pytest.mark.parametrize("database_url", ["postgresql"], indirect=True)
def test_one_technician_waits_for_nobody_elses_lock(databases: tuple[Database, Database]) -> None:
    one, other = databases
    with one.write() as first:
        one.lock(first, technicians=["te-1"], clients=["cl-1"])
        with other.write() as second:
            other.lock(second, technicians=["te-2"], clients=["cl-2"])
        for wanted in ({"technicians": ["te-2", "te-1"]}, {"clients": ["cl-1"]}):
            with pytest.raises(Busy), other.write() as second:
                other.lock(second, **wanted)
        with pytest.raises(Busy), other.write() as second:
            other.lock_calendar(second)
    with other.write() as second:  # given back at the commit
        other.lock_calendar(second)
        with pytest.raises(Busy), other.write() as third:
            other.lock(third, technicians=["te-9"])
    other.close()


def test_what_was_read_before_the_lock_is_read_anew(database: Database) -> None:
    with database.write() as session:
        session.add(ClientRow(id="c9", name="before"))
    with database.write() as session:
        row = session.get_one(ClientRow, "c9")
        session.connection().exec_driver_sql("UPDATE client SET name = 'after' WHERE id = 'c9'")
        assert row.name == "before"
        database.lock(session, technicians=["te-1"])
        assert row.name == "after"
