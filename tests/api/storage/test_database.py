"""Transactions, guards and migrations on a real file."""

import json
import sqlite3
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from datetime import UTC, date, datetime, timedelta

import pytest
from sqlalchemy import text
from sqlalchemy.exc import DBAPIError
from sqlmodel import select

from api.storage import postgresql, sqlite
from api.storage.database import Database
from api.storage.migrations import schema
from api.storage.tables import (
    AppointmentRow,
    AuditRow,
    CatalogueEditRow,
    ClientRow,
    ContractRow,
    ExaminationRow,
    MachineRow,
    PublicationRow,
    SiteRow,
    TechnicianRow,
    VisitRow,
)
from scheduler.errors import (
    Conflict,
    DoubleBooking,
    InvalidInput,
    Overlap,
    StaleVersion,
)

NINE = datetime(2027, 3, 1, 9, tzinfo=UTC)
HOUR = timedelta(hours=1)


def company() -> list[object]:
    return [
        # children first on purpose: references are checked at commit
        *(
            SiteRow(
                id=site, client_id="c1", contract_id="k1", name="Corner", kind="bar",
                address="1 Quay", town="Bergen", lat=60.39, lon=5.32, zone="Europe/Oslo",
                opening_hours="Mo-Fr 07:00-17:00", access_hours="Mo-Fr 07:00-17:00",
                quiet_hours="Mo-Fr 14:00-17:00",
            )
            for site in ("s1", "s2")
        ),
        ContractRow(
            id="k1", client_id="c1", kind="basic", starts_on=date(2027, 1, 1), response_minutes={},
            service_hours="Mo-Fr 08:00-17:00", zone="Europe/Oslo", holiday_country="NO",
        ),
        ClientRow(id="c1", name="Corner Cafés"),
        *(
            TechnicianRow(
                id=technician, name=technician, lat=60.4, lon=5.3, zone="Europe/Oslo", skills=[],
                working_hours="Mo-Fr 08:00-16:00", holiday_country="NO",
            )
            for technician in ("t1", "t2")
        ),
        *(
            VisitRow(
                id=visit, site_id=site, kind="upkeep", window="access", minutes=60, skills=[],
                earliest=date(2027, 3, 1), target=date(2027, 3, 1), latest=date(2027, 3, 9),
                headlines=[], worksheet={},
            )
            for visit, site in (("v1", "s1"), ("v2", "s1"), ("v3", "s2"))
        ),
    ]  # fmt: skip


def appointment(name: str, visit: str, start: datetime, technician: str = "t1") -> AppointmentRow:
    return AppointmentRow(
        id=name, visit_id=visit, technician_id=technician, starts_at=start, ends_at=start + HOUR,
        created_at=NINE, revised_at=NINE,
    )  # fmt: skip


@pytest.fixture
def database(database: Database) -> Database:
    with database.write() as session:
        session.add_all(company())
    return database


def test_migrations_follow_one_another() -> None:
    assert len(schema.heads()) == 1, f"chain the later one on the other: {sorted(schema.heads())}"


def test_a_new_database_is_current_and_agrees_with_the_tables(database: Database) -> None:
    assert database.is_current()
    with database.read() as session:
        schema.check(session.connection())  # raises when a table and the migrations differ


def test_an_empty_database_is_not_current(database_url: str) -> None:
    empty = Database(database_url)
    assert not empty.is_current()
    empty.close()


def test_upgrading_again_keeps_what_is_there(database: Database) -> None:
    database.create_or_upgrade()
    assert database.is_current()
    with database.read() as session:
        assert session.exec(select(ClientRow.id)).all() == ["c1"]


@pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)
def test_a_rebuilt_table_gets_its_guards_back(database: Database, database_url: str) -> None:
    connection = sqlite3.connect(database_url.removeprefix("sqlite:///"))
    columns = "SELECT sql FROM sqlite_master WHERE name = 'appointment'"
    (definition,) = connection.execute(columns).fetchone()
    connection.executescript(  # what a batch migration does
        "ALTER TABLE appointment RENAME TO old;"
        f"{definition}; INSERT INTO appointment SELECT * FROM old; DROP TABLE old;"
    )
    names = "SELECT name FROM sqlite_master WHERE type = 'trigger' AND tbl_name = 'appointment'"
    assert connection.execute(names).fetchall() == []
    connection.close()

    database.create_or_upgrade()

    with pytest.raises(DoubleBooking), database.write() as session:
        session.add_all([appointment("a1", "v1", NINE), appointment("a2", "v2", NINE)])


def test_the_publication_row_is_there_from_the_start(database: Database) -> None:
    with database.read() as session:
        assert session.get(PublicationRow, 1) == PublicationRow(
            id=1, revision=0, changed_at=datetime(1970, 1, 1, tzinfo=UTC)
        )


def test_write_stores_all_or_nothing(database: Database) -> None:
    def fail_half_way() -> None:
        with database.write() as session:
            session.add(ClientRow(id="c2", name="Never stored"))
            session.flush()
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        fail_half_way()
    with database.read() as session:
        assert session.exec(select(ClientRow.id)).all() == ["c1"]


def test_a_reader_cannot_write(database: Database) -> None:
    with database.read() as session:
        session.add(ClientRow(id="c2", name="From a reader"))
        with pytest.raises(DBAPIError):
            session.commit()


def test_a_missing_reference_is_refused_at_commit(database: Database) -> None:
    with pytest.raises(Conflict), database.write() as session:
        session.add(appointment("a1", "no such visit", NINE))


def test_an_overlap_is_refused_and_on_sqlite_named(database: Database, database_url: str) -> None:
    with database.write() as session:
        session.add(appointment("a1", "v1", NINE))
    with pytest.raises(DoubleBooking) as refusal, database.write() as session:
        session.add(appointment("a2", "v2", NINE + HOUR / 2))
    named = (Overlap(technician="t1", first="a1", second="a2"),)
    assert refusal.value.overlaps == (named if database_url.startswith("sqlite") else ())
    with database.read() as session:
        assert session.exec(select(AppointmentRow.id)).all() == ["a1"]


def test_touching_appointments_other_people_and_cancelled_ones_do_not_overlap(
    database: Database,
) -> None:
    cancelled = appointment("a4", "v2", NINE)
    cancelled.state = "cancelled"
    with database.write() as session:
        session.add_all(
            [
                appointment("a1", "v1", NINE),
                appointment("a2", "v2", NINE + HOUR),
                appointment("a3", "v3", NINE, technician="t2"),
                cancelled,
            ]
        )
    with database.read() as session:
        assert len(session.exec(select(AppointmentRow.id)).all()) == 4


def test_two_appointments_may_change_places_in_one_transaction(database: Database) -> None:
    with database.write() as session:
        session.add_all([appointment("a1", "v1", NINE), appointment("a2", "v2", NINE + HOUR)])
    with database.write() as session:
        for name, start in (("a1", NINE + HOUR), ("a2", NINE)):
            row = session.get_one(AppointmentRow, name)
            row.starts_at, row.ends_at = start, start + HOUR
            session.flush()  # overlapping for the moment
    with database.read() as session:
        starts = session.exec(select(AppointmentRow.id, AppointmentRow.starts_at)).all()
        assert sorted(starts) == [("a1", NINE + HOUR), ("a2", NINE)]


def test_reviving_a_cancelled_appointment_over_another_is_refused(database: Database) -> None:
    cancelled = appointment("a2", "v2", NINE)
    cancelled.state = "cancelled"
    with database.write() as session:
        session.add_all([appointment("a1", "v1", NINE), cancelled])
    with pytest.raises(DoubleBooking), database.write() as session:
        session.get_one(AppointmentRow, "a2").state = "planned"


def test_an_appointment_that_ends_before_it_starts_is_refused(database: Database) -> None:
    backwards = appointment("a1", "v1", NINE)
    backwards.ends_at = NINE - HOUR
    with pytest.raises(Conflict), database.write() as session:
        session.add(backwards)


@pytest.mark.parametrize("change", ["UPDATE audit SET actor = 'x'", "DELETE FROM audit"])
def test_audit_rows_can_only_be_added(database: Database, change: str) -> None:
    with database.write() as session:
        session.add(AuditRow(id="au1", at=NINE, actor="d1", verb="publish", subject="plan/p1"))
    with pytest.raises(Conflict), database.write() as session:
        session.connection().execute(text(change))
    with database.read() as session:
        assert [(row.id, row.actor) for row in session.exec(select(AuditRow))] == [("au1", "d1")]


@pytest.mark.parametrize("change", ["UPDATE {} SET reason = 'x'", "DELETE FROM {}"])
@pytest.mark.parametrize("table", ["catalogue_edit", "examination"])
def test_edits_and_examinations_can_only_be_added(
    database: Database, table: str, change: str
) -> None:
    with database.write() as session:
        session.add(
            CatalogueEditRow(number=1, id="ce1", text="-", reason="r", made_by="d1", made_at=NINE)
        )
        session.add(
            MachineRow(
                id="m1",
                tag="E1",
                serial="",
                site_id="s1",
                name="M",
                kind="grinder",
                installed_on=date(2024, 1, 1),
                drinks_per_day=1,
            )
        )
        session.add(
            ExaminationRow(
                id="ex1", machine_id="m1", rule="r", certificate="c", competent_person="p",
                body="b", examined_on=date(2027, 1, 1), result="passed", recorded_by="d1",
                recorded_at=NINE, reason="r",
            )
        )  # fmt: skip
    with pytest.raises(Conflict), database.write() as session:
        session.connection().execute(text(change.format(table)))
    with database.read() as session:
        reasons = session.connection().execute(text(f"SELECT reason FROM {table}")).scalars()
        assert list(reasons) == ["r"]


def test_a_change_raises_the_version_and_a_stale_one_is_refused(database: Database) -> None:
    with database.read() as session:
        stale = session.get_one(ClientRow, "c1")
    with database.write() as session:
        session.get_one(ClientRow, "c1").name = "First"
    with database.read() as session:
        assert session.get_one(ClientRow, "c1").version == 2
    stale.name = "Second"
    with pytest.raises(StaleVersion), database.write() as session:
        session.add(stale)


def test_an_in_memory_database_is_refused() -> None:
    with pytest.raises(InvalidInput, match="needs a file"):
        Database("sqlite://")


def _book_every_hour(url: str, worker: int) -> int:
    database = Database(url)
    booked = 0
    for hour in range(20):
        start = NINE + hour * HOUR
        with suppress(DoubleBooking), database.write() as session:
            taken = session.exec(
                select(AppointmentRow.id).where(AppointmentRow.starts_at == start)
            ).first()
            if taken is None:
                session.add(appointment(f"a{worker}-{hour}", "v1", start))
                session.commit()
                booked += 1
    database.close()
    return booked


@pytest.mark.usefixtures("database")
def test_writers_that_look_before_they_book_never_book_twice(database_url: str) -> None:
    with ThreadPoolExecutor(4) as pool:
        booked = list(pool.map(_book_every_hour, [database_url] * 4, range(4)))
    assert sum(booked) == 20


def test_the_change_mark_tells_of_every_commit_and_of_nothing_else(database_url: str) -> None:
    """Of other processes too; what a reader does and what is rolled back changes no row."""
    database, elsewhere = Database(database_url), Database(database_url)
    database.create_or_upgrade()

    def publish(revision: int) -> None:
        with elsewhere.write() as session:
            session.merge(PublicationRow(id=1, revision=revision, changed_at=NINE))

    marks = []
    for revision in range(3):
        marks += [database.change_mark(), database.change_mark()]
        with database.read() as session:
            session.get(PublicationRow, 1)
        marks.append(database.change_mark())
        publish(revision)
    first, second, third = marks[:3], marks[3:6], marks[6:]
    assert [len(set(each)) for each in (first, second, third)] == [1, 1, 1]
    assert len({first[0], second[0], third[0]}) == 3
    assert None not in marks
    database.close()
    elsewhere.close()


def test_a_machine_stopped_before_is_known_by_what_was_read_on_it(database_url: str) -> None:
    """A database of the form before standstills named their set-points."""
    is_sqlite = database_url.startswith("sqlite")
    dialect = sqlite if is_sqlite else postgresql
    engine = dialect.migration_engine(database_url, patience_seconds=5.0)
    now = "2027-03-01 09:00:00+00:00"
    with engine.connect() as connection:
        schema.upgrade(connection, "0010")
        if not is_sqlite:  # sites and visits of these rows are left out
            connection.execute(text("SET session_replication_role = replica"))
        for statement in (
            "INSERT INTO machine (id, version, tag, serial, site_id, name, kind, groups, features, "
            "installed_on, drinks_per_day) VALUES "
            "('m1', 1, 'E1', '', 's1', 'm', 'grinder', 0, '[]', '2025-01-01', 100)",
            "INSERT INTO standstill (id, version, machine_id, visit_id, began_at, because, "
            f"ended_by, ended_because) VALUES ('ss1', 1, 'm1', 'v1', '{now}', 'x', '', '')",
            *(
                "INSERT INTO measurement (id, machine_id, set_point, value, unit, stage, verdict, "
                f"because, taken_at, taken_on, visit_id) VALUES ('{name}', 'm1', '{point}', 1, "
                f"'bar', 'as_left', '{verdict}', 'x', '{now}', '2027-03-01', 'v1')"
                for name, point, verdict in (
                    ("me1", "steam", "stop_and_make_safe"),
                    ("me2", "brew", "ok"),
                )
            ),
        ):
            connection.execute(text(statement))
        schema.upgrade(connection)
        found = connection.execute(
            text("SELECT set_points, ended_for, examination_id FROM standstill")
        ).one()
    engine.dispose()
    read = json.loads(found.set_points) if isinstance(found.set_points, str) else found.set_points
    assert (read, found.ended_for, found.examination_id) == (["steam"], "", None)
