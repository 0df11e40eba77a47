"""The reply to a COMMIT gets lost on its way: what became of it is found out, not guessed."""

from pathlib import Path

import pytest
from sqlalchemy import text
from sqlmodel import select

from api.storage.database import Database
from api.storage.tables import ClientRow
from scheduler.errors import Busy
from tests.api.storage.dropping_proxy import DroppingProxy

pytestmark = pytest.mark.parametrize("database_url", ["postgresql"], indirect=True)


def test_a_commit_whose_reply_is_lost_was_made_and_says_so(
    database: Database, database_url: str, tmp_path: Path
) -> None:
    with DroppingProxy(database_url, tmp_path, 1.0) as proxy:
        far = Database(proxy.through)
        with far.write() as session:
            row = ClientRow(id="c1", name="Stored once")
            session.add(row)
        assert proxy.dropped >= 1
        assert (row.id, row.name, row.version) == ("c1", "Stored once", 1)  # still readable
        with far.write() as session:
            session.get_one(ClientRow, "c1").name = "Changed once"
        before = proxy.dropped
        with far.write() as session:  # a request repeated under its key finds it has been done
            assert session.get_one(ClientRow, "c1").name == "Changed once"
        assert proxy.dropped > before
        far.close()
    with database.read() as session:
        rows = session.exec(select(ClientRow)).all()
        assert [(each.name, each.version) for each in rows] == [("Changed once", 2)]


def test_a_connection_lost_before_the_commit_stored_nothing(database: Database) -> None:
    def lose_it() -> None:
        with database.write() as session:
            session.add(ClientRow(id="c1", name="Never stored"))
            session.flush()
            pid = session.connection().scalar(text("SELECT pg_backend_pid()"))
            with database._write_engine.connect() as other:
                other.execute(text("SELECT pg_terminate_backend(:pid, 2000)"), {"pid": pid})

    with pytest.raises(Busy):
        lose_it()
    with database.read() as session:
        assert session.exec(select(ClientRow)).all() == []
