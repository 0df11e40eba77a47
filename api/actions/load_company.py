"""Load a company from a folder of files, by natural key: safe to repeat, all of it or nothing."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, Final

from sqlalchemy import insert
from sqlmodel import Session, SQLModel, col, select

from api.actions.company_files import CompanyFiles, read_company_files
from api.actions.company_records import Record
from api.storage.audit import Origin, record
from api.storage.database import Database
from api.storage.examinations import note_certified_until
from api.storage.tables import (
    AbsenceRow,
    ClientRow,
    CompanyRow,
    ContractRow,
    ExaminationRow,
    FittedPartRow,
    MachineRow,
    MeterReadingRow,
    SiteRow,
    TechnicianRow,
    VisitRow,
    WorkDoneRow,
)
from scheduler.catalogue import Catalogue
from scheduler.working_time import local_date

_ENDS: Final[Mapping[type[SQLModel], frozenset[str]]] = {
    FittedPartRow: frozenset({"removed_on", "removal"}),
    MachineRow: frozenset({"retired_on"}),
}
"""The columns that say that something is over."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Loaded:
    """How many records of a table were new, changed or as they should be."""

    added: int = 0
    changed: int = 0
    unchanged: int = 0


def load_company(
    database: Database, folder: Path, catalogue: Catalogue, *, now: datetime, origin: Origin
) -> dict[str, Loaded]:
    """Store what the files of a folder say; records the folder does not name stay as they are.

    So do parts of which a visit has reported since, examinations on record, and what was removed
    or retired: files written before know less.

    Returns
    -------
    dict
        What happened to each table, by its name.

    Raises
    ------
    InvalidCompany
        With every wrong line of every file. Nothing has been stored then.
    """
    files = read_company_files(folder, catalogue, now=now)
    with database.write() as session:
        outcome = {
            str(table.__tablename__): _store(session, table, records)
            for table, records in _tables(files, now=now, origin=origin)
        }
        examined = {each.machine_id for each in files.examinations.values()}
        today = local_date(now, files.company.zone)
        note_certified_until(session, catalogue, examined, on=today)
        if any(loaded.added or loaded.changed for loaded in outcome.values()):
            counts = {
                table: {"added": loaded.added, "changed": loaded.changed}
                for table, loaded in outcome.items()
            }
            record(session, origin, now=now, verb="load", subject="company/1", after=counts)
    return outcome


def _tables(
    files: CompanyFiles, *, now: datetime, origin: Origin
) -> Iterable[tuple[Any, list[dict[str, Any]]]]:
    company = files.company.model_dump(exclude={"planning_day", "seed"})
    yield CompanyRow, [{**company, "id": 1, "barriers": list(files.barriers)}]
    yield ClientRow, _columns(files.clients)
    yield ContractRow, _columns(files.contracts)
    yield SiteRow, _columns(files.sites)
    yield TechnicianRow, _columns(files.technicians)
    yield AbsenceRow, _columns(files.absences)
    yield MachineRow, _columns(files.machines)
    yield FittedPartRow, _columns(files.fitted_parts)
    yield WorkDoneRow, _columns(files.work_done)
    stands = {"corrects": None, "withdrawn": False, "reason": ""}
    yield MeterReadingRow, [{**values, **stands} for values in _columns(files.meter_readings)]
    loaded = {"recorded_by": origin.actor, "recorded_at": now, "withdrawn": False, "reason": ""}
    yield ExaminationRow, [{**values, **loaded} for values in _columns(files.examinations)]


def _columns(records: Mapping[Any, Record]) -> list[dict[str, Any]]:
    return [record.columns() for record in records.values()]


def _reported_parts(session: Session) -> frozenset[str]:
    """Return the parts whose lives were ended or begun by the report of a visit."""
    worked_on = select(WorkDoneRow.fitted_part_id).join(
        VisitRow, col(VisitRow.id) == col(WorkDoneRow.visit_id)
    )
    return frozenset(part for part in session.exec(worked_on) if part is not None)


def _store(session: Session, table: type[SQLModel], records: list[dict[str, Any]]) -> Loaded:
    there: dict[Any, Any] = {row.id: row for row in session.exec(select(table))}  # type: ignore[attr-defined]
    new = [values for values in records if values["id"] not in there]
    if new:
        session.execute(insert(table), new)  # many thousands of rows: no object for each
    known_better = _reported_parts(session) if table is FittedPartRow else frozenset()
    changed = 0
    for values in records:
        row = there.get(values["id"])
        if row is None or row.id in known_better or table is ExaminationRow:
            continue
        differing = {
            name for name in values.keys() - _ended(row) if getattr(row, name) != values[name]
        }
        for name in differing:
            setattr(row, name, values[name])
        changed += bool(differing)
    return Loaded(added=len(new), changed=changed, unchanged=len(records) - len(new) - changed)


def _ended(row: SQLModel) -> frozenset[str]:
    """Return the columns that say how a record ended, if it has."""
    columns = _ENDS.get(type(row), frozenset())
    is_over = any(getattr(row, name) is not None for name in columns)
    return columns if is_over else frozenset()
