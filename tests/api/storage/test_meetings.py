"""Both databases refuse that two technicians are at one site at once."""

import sqlite3
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress

import pytest
from sqlalchemy import create_engine, text
from sqlmodel import select

from api.storage import sqlite
from api.storage.database import Database
from api.storage.presence import at_one_site_at_once
from api.storage.tables import AppointmentRow
from scheduler.errors import SiteTaken
from tests.api.storage.test_database import HOUR, NINE, appointment, company


@pytest.fixture
def database(database: Database) -> Database:
    with database.write() as session:
        session.add_all(company())
    return database


def test_two_technicians_at_one_site_at_once_are_refused(database: Database) -> None:
    with database.write() as session:
        session.add(appointment("a1", "v1", NINE))
    with pytest.raises(SiteTaken), database.write() as session:
        session.add(appointment("a2", "v2", NINE + HOUR / 2, technician="t2"))
    with database.write() as session:  # as the other goes, and at another site, anybody may come
        session.add(appointment("a2", "v2", NINE + HOUR, technician="t2"))
    with pytest.raises(SiteTaken), database.write() as session:
        session.get_one(AppointmentRow, "a1").ends_at = NINE + HOUR * 3 / 2
    with pytest.raises(SiteTaken), database.write() as session:
        session.get_one(AppointmentRow, "a2").starts_at = NINE + HOUR / 2
    with database.read() as session:
        starts = session.exec(select(AppointmentRow.id, AppointmentRow.starts_at)).all()
        assert sorted(starts) == [("a1", NINE), ("a2", NINE + HOUR)]


def test_a_cancelled_appointment_at_a_site_is_in_nobodys_way_until_it_is_revived(
    database: Database,
) -> None:
    cancelled = appointment("a2", "v2", NINE, technician="t2")
    cancelled.state = "cancelled"
    with database.write() as session:
        session.add_all([appointment("a1", "v1", NINE), cancelled])
    with pytest.raises(SiteTaken), database.write() as session:
        session.get_one(AppointmentRow, "a2").state = "planned"


def test_two_technicians_may_change_places_at_a_site_in_one_transaction(database: Database) -> None:
    with database.write() as session:
        session.add(appointment("a1", "v1", NINE))
        session.add(appointment("a2", "v2", NINE + HOUR, technician="t2"))
    with database.write() as session:
        for name, start in (("a1", NINE + HOUR), ("a2", NINE)):
            row = session.get_one(AppointmentRow, name)
            row.starts_at, row.ends_at = start, start + HOUR
            session.flush()  # both there for the moment
    with database.read() as session:
        starts = session.exec(select(AppointmentRow.id, AppointmentRow.starts_at)).all()
        assert sorted(starts) == [("a1", NINE + HOUR), ("a2", NINE)]


@pytest.fixture
def met(database: Database, database_url: str) -> Database:
    """A database from before the guard, in which two technicians were sent to one site at once."""
    triggers = (
        ("appointment_sent", "appointment_sent_anew")
        if database_url.startswith("sqlite")
        else ("nobody_meets", "nobody_meets_still")
    )
    of_table = "" if database_url.startswith("sqlite") else " ON appointment"
    with database.write() as session:
        for trigger in triggers:
            session.connection().execute(text(f"DROP TRIGGER {trigger}{of_table}"))
        session.add(appointment("a1", "v1", NINE))
        session.add(appointment("a2", "v2", NINE, technician="t2"))
    database.create_or_upgrade()
    return database


def test_who_met_before_the_guard_can_be_worked_with_and_taken_apart(met: Database) -> None:
    for state in ("promised", "under_way"):
        with met.write() as session:
            row = session.get_one(AppointmentRow, "a1")
            row.state, row.travel_minutes = state, 7
    with met.read() as session:
        found = session.exec(select(AppointmentRow.id).where(at_one_site_at_once())).all()
    assert sorted(found) == ["a1", "a2"]
    with pytest.raises(SiteTaken), met.write() as session:
        session.get_one(AppointmentRow, "a2").starts_at = NINE - HOUR / 2
    with met.write() as session:
        row = session.get_one(AppointmentRow, "a2")
        row.starts_at, row.ends_at = NINE + HOUR, NINE + 2 * HOUR
    with met.read() as session:
        found = session.exec(select(AppointmentRow.id).where(at_one_site_at_once())).all()
    assert found == []


@pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)
def test_a_migration_may_build_the_visits_anew(database: Database, database_url: str) -> None:
    other = sqlite3.connect(database_url.removeprefix("sqlite:///"))
    (definition,) = other.execute("SELECT sql FROM sqlite_master WHERE name = 'visit'").fetchone()
    columns = definition.partition("(")[2]
    rebuild = (  # what a batch migration does
        f"CREATE TABLE anew ({columns}; INSERT INTO anew SELECT * FROM visit;"
        "DROP TABLE visit; ALTER TABLE anew RENAME TO visit;"
    )
    with pytest.raises(sqlite3.OperationalError, match="appointment_sent"):
        other.executescript(f"BEGIN; {rebuild}")
    other.rollback()
    with create_engine(database_url).begin() as connection:
        sqlite.lift_guards(connection)
    other.executescript(rebuild)
    other.close()

    database.create_or_upgrade()

    two = [appointment("a1", "v1", NINE), appointment("a2", "v2", NINE, technician="t2")]
    with pytest.raises(SiteTaken), database.write() as session:
        session.add_all(two)


def _send_every_hour(url: str, worker: int) -> int:
    """Send a technician to one site whenever nobody is known to go there; return how often."""
    database = Database(url)
    sent = 0
    for hour in range(20):
        start = NINE + hour * HOUR
        with suppress(SiteTaken):
            with database.write() as session:
                session.add(appointment(f"a{worker}-{hour}", f"v{worker}", start, f"t{worker}"))
            sent += 1
    database.close()
    return sent


@pytest.mark.usefixtures("database")
def test_of_two_who_send_somebody_to_a_site_at_once_one_is_refused(database_url: str) -> None:
    with ThreadPoolExecutor(2) as pool:
        sent = list(pool.map(_send_every_hour, [database_url] * 2, (1, 2)))
    assert sum(sent) == 20
