"""Add and change what is known of clients, contracts, sites, people and machines, one at a time."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any, TypeVar

from sqlmodel import Session, SQLModel, col, select

from api.actions.calendars import refresh_calendars
from api.actions.company_fields import Fields
from api.actions.keep_counters import check_meter_reading
from api.actions.withdraw_work import drop_work_of_retired
from api.storage.audit import Origin, record
from api.storage.database import Database
from api.storage.scope import EVERYTHING, one
from api.storage.tables import (
    AppointmentRow,
    ClientRow,
    ContractRow,
    FittedPartRow,
    MachineRow,
    MeterReadingRow,
    SiteRow,
    TechnicianRow,
    VisitRow,
)
from scheduler.catalogue import Catalogue
from scheduler.errors import Conflict, InvalidInput, UnknownReference
from scheduler.lifecycle import LIVE

Row = TypeVar("Row", bound=SQLModel)

_TABLE_OF: Mapping[str, type[SQLModel]] = {
    "client_id": ClientRow,
    "contract_id": ContractRow,
    "site_id": SiteRow,
    "technician_id": TechnicianRow,
    "machine_id": MachineRow,
    "fitted_part_id": FittedPartRow,
}


def add_record(
    database: Database,
    table: type[Row],
    row_id: str,
    fields: Fields,
    catalogue: Catalogue,
    *,
    now: datetime,
    origin: Origin,
) -> Row:
    """Store a new record.

    Raises
    ------
    Conflict
        When the id is taken, or something else that must be unique.
    InvalidInput
        When the record refers to something that does not exist, or cannot be.
    """
    values = {**fields.columns(), "id": row_id}
    with database.write() as session:
        if session.get(table, row_id) is not None:
            raise Conflict(f"there is a {table.__tablename__} {row_id!r} already")
        _check_references(session, values, catalogue)
        row = table(**values)
        if isinstance(row, MeterReadingRow):
            check_meter_reading(session, row, catalogue, now=now)
        session.add(row)
        subject = f"{table.__tablename__}/{row_id}"
        record(session, origin, now=now, verb="add", subject=subject, after=_as_json(row))
        return row


def replace_record(
    database: Database,
    table: type[Row],
    row_id: str,
    fields: Fields,
    catalogue: Catalogue,
    *,
    if_version: int,
    now: datetime,
    origin: Origin,
) -> Row:
    """Store new values of a record, and what changes in calendars because of them.

    What is still to be done on a machine that is retired by today is dropped.

    Raises
    ------
    Absent, StaleVersion
        There is no such record, or it has changed since the caller read it.
    InvalidInput
        When the record refers to something that does not exist.
    """
    with database.write() as session:
        row: Any = one(session, table, row_id, EVERYTHING)
        row.expect_version(if_version)
        before = _as_json(row)
        values = fields.columns()
        _check_references(session, values, catalogue)
        for name, value in values.items():
            if getattr(row, name) != value:
                setattr(row, name, value)
        session.flush()
        subject = f"{table.__tablename__}/{row_id}"
        after = _as_json(row)
        if after != before:
            record(
                session, origin, now=now, verb="change", subject=subject, before=before, after=after
            )
            if isinstance(row, MachineRow) and row.retired_on is not None:
                drop_work_of_retired(database, session, catalogue, now=now, origin=origin)
            technicians = _who_goes_there(session, row)
            sites = [row.id] if isinstance(row, SiteRow) else []
            refresh_calendars(session, technicians, catalogue, sites=sites, whole=True, now=now)
        return row  # type: ignore[no-any-return]


def remove_record(
    database: Database,
    table: type[Row],
    row_id: str,
    *,
    if_version: int,
    now: datetime,
    origin: Origin,
) -> None:
    """Delete a record nothing else depends on.

    Raises
    ------
    Absent, StaleVersion
        There is no such record, or it has changed since the caller read it.
    Conflict
        When other records refer to it.
    """
    with database.write() as session:
        row: Any = one(session, table, row_id, EVERYTHING)
        row.expect_version(if_version)
        subject = f"{table.__tablename__}/{row_id}"
        record(session, origin, now=now, verb="remove", subject=subject, before=_as_json(row))
        session.delete(row)


def _as_json(row: Any) -> dict[str, Any]:
    values: dict[str, Any] = row.model_dump(mode="json")
    return values


def _check_references(session: Session, values: Mapping[str, Any], catalogue: Catalogue) -> None:
    for column, table in _TABLE_OF.items():
        key = values.get(column)
        if key is not None and session.get(table, key) is None:
            raise InvalidInput(f"{column} names no {table.__tablename__}: got {key!r}")
    known: Mapping[str, Mapping[str, Any]] = {
        "skills": catalogue.skills,
        "features": catalogue.features,
        "part_type": catalogue.part_types,
        "rule": catalogue.rules,
    }
    for column, names in known.items():
        given = values.get(column, ())
        for name in [given] if isinstance(given, str) else given:
            if name not in names:
                raise UnknownReference(column, name, names)
    if "contract_id" in values:
        contract = session.get_one(ContractRow, values["contract_id"])
        if contract.client_id != values["client_id"]:
            raise InvalidInput(f"contract_id {contract.id!r} is a contract of another client")


def _who_goes_there(session: Session, row: Any) -> list[str]:
    """Return the technicians whose calendars show something of a record."""
    statement = select(AppointmentRow.technician_id).where(col(AppointmentRow.state).in_(LIVE))
    match row:
        case TechnicianRow():
            return [row.id]
        case SiteRow():
            sites = [row.id]
        case MachineRow():
            sites = [row.site_id]
        case ClientRow():
            sites = list(session.exec(select(SiteRow.id).where(SiteRow.client_id == row.id)))
        case _:
            return []
    visits = select(VisitRow.id).where(col(VisitRow.site_id).in_(sites))
    return sorted(set(session.exec(statement.where(col(AppointmentRow.visit_id).in_(visits)))))
