"""Snapshots of a large company take as many queries as those of a small one."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, date, datetime
from typing import Any

import pytest
from sqlalchemy import event
from sqlmodel import Session

from api.storage.database import Database
from api.storage.snapshots import (
    active_technicians,
    contracts_by_id,
    machines_by_id,
    sites_by_id,
)
from api.storage.tables import (
    AbsenceRow,
    ClientRow,
    ContractRow,
    FittedPartRow,
    MachineRow,
    SiteRow,
    TechnicianRow,
)
from scheduler.working_time import LAST_MOMENT, LocalPeriod

DAY = date(2027, 3, 1)


def _add_companies(database: Database, count: int) -> None:
    with database.write() as session:
        for n in range(count):
            session.add_all(
                [
                    ClientRow(id=f"c{n}", name="Client"),
                    ContractRow(
                        id=f"k{n}", client_id=f"c{n}", kind="full", starts_on=DAY,
                        response_minutes={"danger": 60}, service_hours="Mo-Fr 08:00-17:00",
                        zone="Europe/Oslo", holiday_country="NO",
                    ),
                    SiteRow(
                        id=f"s{n}", client_id=f"c{n}", contract_id=f"k{n}", name="Site", kind="bar",
                        address="", town="", lat=60, lon=5, zone="Europe/Oslo", opening_hours="",
                        access_hours="Mo-Fr 08:00-17:00", quiet_hours="",
                    ),
                    TechnicianRow(
                        id=f"t{n}", name="T", lat=60, lon=5, zone="Europe/Oslo", skills=[],
                        working_hours="Mo-Fr 08:00-16:00", holiday_country="NO",
                    ),
                    MachineRow(
                        id=f"m{n}", tag=f"E{n}", serial="", site_id=f"s{n}", name="Grinder",
                        kind="grinder", installed_on=DAY, drinks_per_day=100,
                    ),
                    FittedPartRow(
                        id=f"p{n}", machine_id=f"m{n}", part_type="burrs", position="burrs",
                        fitted_on=DAY,
                    ),
                ]
            )  # fmt: skip


@contextmanager
def _counted(session: Session) -> Iterator[list[str]]:
    statements: list[str] = []

    def count(_connection: Any, _cursor: Any, statement: str, *_rest: Any) -> None:
        statements.append(statement)

    connection = session.connection()
    event.listen(connection, "before_cursor_execute", count)
    yield statements
    event.remove(connection, "before_cursor_execute", count)


@pytest.mark.parametrize(
    ("snapshot", "queries"),
    [
        (lambda session: sites_by_id(session, from_day=DAY), 1),
        (lambda session: contracts_by_id(session, from_day=DAY), 1),
        (lambda session: active_technicians(session, from_day=DAY), 2),
        (lambda session: machines_by_id(session, on=DAY), 5),
        (lambda session: machines_by_id(session, sites={"s1", "s2"}, on=DAY), 5),
    ],
    ids=["sites", "contracts", "technicians", "machines", "machines at sites"],
)
def test_the_number_of_queries_does_not_grow(
    database: Database, snapshot: Callable[[Session], Any], queries: int
) -> None:
    _add_companies(database, 20)
    with database.read() as session, _counted(session) as statements:
        assert len(snapshot(session)) in (2, 20)
    assert len(statements) == queries


def test_snapshots_take_only_what_is_asked_for(database: Database) -> None:
    _add_companies(database, 4)
    with database.read() as session:
        assert list(sites_by_id(session, {"s2", "s0"}, from_day=DAY)) == ["s0", "s2"]
        assert list(machines_by_id(session, {"m1"}, on=DAY)) == ["m1"]
        assert list(machines_by_id(session, sites={"s3"}, on=DAY)) == ["m3"]


def test_an_absence_inside_the_hour_that_comes_twice_is_taken_whole(database: Database) -> None:
    _add_companies(database, 1)
    with database.write() as session:
        # 02:40 summer time to 02:10 winter time in Oslo, half an hour later
        session.add(
            AbsenceRow(
                id="ab1", technician_id="t0", starts_at=datetime(2027, 10, 31, 0, 40, tzinfo=UTC),
                ends_at=datetime(2027, 10, 31, 1, 10, tzinfo=UTC),
            )
        )  # fmt: skip
    with database.read() as session:
        (technician,) = active_technicians(session, from_day=DAY)
    assert technician.calendar.closures == (
        LocalPeriod(
            start=datetime.fromisoformat("2027-10-31T02:10"),
            end=datetime.fromisoformat("2027-10-31T02:40"),
        ),
    )


def test_an_absence_without_an_end_can_be_planned_with(database: Database) -> None:
    _add_companies(database, 1)
    with database.write() as session:
        session.add(
            AbsenceRow(
                id="ab1", technician_id="t0", starts_at=datetime(2027, 3, 1, 11, tzinfo=UTC),
                ends_at=datetime(9999, 12, 31, 23, 30, tzinfo=UTC),
            )
        )  # fmt: skip
    with database.read() as session:
        (technician,) = active_technicians(session, from_day=DAY)
    # Monday noon in Oslo; in Oslo the last hour of the last day there is lies behind that instant
    away = LocalPeriod(start=datetime.fromisoformat("2027-03-01T12:00"), end=LAST_MOMENT)
    assert technician.calendar.closures == (away,)


def test_technicians_who_left_are_not_sent(database: Database) -> None:
    _add_companies(database, 2)
    with database.write() as session:
        session.get_one(TechnicianRow, "t0").active = False
    with database.read() as session:
        assert [person.id for person in active_technicians(session, from_day=DAY)] == ["t1"]
