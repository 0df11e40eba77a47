"""Read a company's folder: nine CSV files and ``company.toml``.

Where there are, also ``examinations.csv`` and ``barriers.toml``.

Everything is read before anything is judged good, so that one run lists every wrong line.
"""

import csv
import tomllib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from io import StringIO
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from api.actions.company_records import (
    AbsenceRecord,
    ClientRecord,
    CompanyRecord,
    ContractRecord,
    ExaminationRecord,
    FittedPartRecord,
    MachineRecord,
    MeterReadingRecord,
    Record,
    SiteRecord,
    TechnicianRecord,
    WorkDoneRecord,
)
from scheduler.catalogue import Authority, Catalogue
from scheduler.errors import Flaw, InvalidCompany, InvalidInput
from scheduler.machines import MeterReading
from scheduler.plausibility import check_counter
from scheduler.waters import barriers_from_documents
from scheduler.working_time import local_date

AnyRecord = TypeVar("AnyRecord", bound=Record)
CheckedModel = TypeVar("CheckedModel", bound=BaseModel)


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """Where a record stands; ``Flaw.path`` begins with it."""

    file: str
    number: int

    def __str__(self) -> str:
        return f"{self.file} line {self.number}"


@dataclass(frozen=True, slots=True, kw_only=True)
class CompanyFiles:
    """Everything a folder says; each record with its line."""

    company: CompanyRecord
    barriers: Sequence[Mapping[str, Any]]
    clients: Mapping[Line, ClientRecord]
    contracts: Mapping[Line, ContractRecord]
    sites: Mapping[Line, SiteRecord]
    technicians: Mapping[Line, TechnicianRecord]
    absences: Mapping[Line, AbsenceRecord]
    machines: Mapping[Line, MachineRecord]
    fitted_parts: Mapping[Line, FittedPartRecord]
    work_done: Mapping[Line, WorkDoneRecord]
    meter_readings: Mapping[Line, MeterReadingRecord]
    examinations: Mapping[Line, ExaminationRecord]


def read_company_files(folder: Path, catalogue: Catalogue, *, now: datetime) -> CompanyFiles:
    """Read and check a folder.

    Nothing can have been examined after ``now`` or, where a company is invented for a later day,
    its ``planning_day``.

    Raises
    ------
    InvalidCompany
        With every flaw found: the file, the line, the column and the value, and what to write.
    """
    reader = _Reader(folder)
    company = reader.company()
    barriers = reader.barriers()
    files = {
        "clients": reader.records("clients", ClientRecord),
        "contracts": reader.records("contracts", ContractRecord),
        "sites": reader.records("sites", SiteRecord),
        "technicians": reader.records("technicians", TechnicianRecord),
        "absences": reader.records("absences", AbsenceRecord),
        "machines": reader.records("machines", MachineRecord),
        "fitted_parts": reader.records("fitted_parts", FittedPartRecord),
        "work_done": reader.records("work_done", WorkDoneRecord),
        "meter_readings": reader.records("meter_readings", MeterReadingRecord),
        "examinations": reader.optional_records("examinations", ExaminationRecord),
    }
    if company is None or reader.flaws:
        raise InvalidCompany(tuple(reader.flaws))
    found = CompanyFiles(company=company, barriers=barriers, **files)  # type: ignore[arg-type]
    today = local_date(now, company.zone)
    flaws = (
        *flaws_between(found, catalogue),
        *_examined_ahead(found, max(today, company.planning_day or today)),
    )
    if flaws:
        raise InvalidCompany(flaws)
    return found


def flaws_between(files: CompanyFiles, catalogue: Catalogue) -> Iterator[Flaw]:
    """Yield what is wrong between records: ids used twice, references to nothing."""
    clients = _ids(files.clients)
    technicians = _ids(files.technicians)
    sites = _ids(files.sites)
    machines = _ids(files.machines)
    client_of_contract = {record.id: record.client_id for record in files.contracts.values()}
    machine_of_part = {record.id: record.machine_id for record in files.fitted_parts.values()}

    for records in _all_records(files):
        yield from _repeated(records, "id")
    yield from _repeated(files.machines, "tag")
    yield from _read_twice(files.meter_readings)
    yield from _beyond_a_life(files, catalogue)
    yield from _missing(files.contracts, "client_id", clients, "clients.csv")
    yield from _missing(files.sites, "client_id", clients, "clients.csv")
    yield from _missing(files.sites, "contract_id", client_of_contract, "contracts.csv")
    yield from _missing(files.technicians, "skills", catalogue.skills, "the catalogue")
    yield from _missing(files.absences, "technician_id", technicians, "technicians.csv")
    yield from _missing(files.machines, "site_id", sites, "sites.csv")
    yield from _missing(files.machines, "features", catalogue.features, "the catalogue")
    yield from _missing(files.fitted_parts, "machine_id", machines, "machines.csv")
    yield from _missing(files.fitted_parts, "part_type", catalogue.part_types, "the catalogue")
    yield from _missing(files.work_done, "machine_id", machines, "machines.csv")
    yield from _missing(files.work_done, "fitted_part_id", machine_of_part, "fitted_parts.csv")
    yield from _missing(files.work_done, "rule", catalogue.rules, "the catalogue")
    yield from _missing(files.work_done, "technician_id", technicians, "technicians.csv")
    yield from _missing(files.meter_readings, "machine_id", machines, "machines.csv")
    laws = [rule.id for rule in catalogue.rules.values() if rule.authority is Authority.STATUTE]
    yield from _missing(files.examinations, "machine_id", machines, "machines.csv")
    yield from _missing(files.examinations, "fitted_part_id", machine_of_part, "fitted_parts.csv")
    yield from _missing(files.examinations, "rule", laws, "the laws of the catalogue")
    yield from _misplaced(files, catalogue)

    for line, site in files.sites.items():
        if client_of_contract.get(site.contract_id, site.client_id) != site.client_id:
            yield _flaw(
                line, "contract_id", f"contract {site.contract_id!r} is of another client: "
                f"use one of client {site.client_id!r}"
            )  # fmt: skip
    for line, work in files.work_done.items():
        part = work.fitted_part_id
        if part is not None and machine_of_part.get(part, work.machine_id) != work.machine_id:
            yield _flaw(
                line, "fitted_part_id", f"part {part!r} is fitted in another machine: "
                f"use one of machine {work.machine_id!r}"
            )  # fmt: skip


def _all_records(files: CompanyFiles) -> tuple[Mapping[Line, Record], ...]:
    return (
        files.clients, files.contracts, files.sites, files.technicians, files.absences,
        files.machines, files.fitted_parts, files.work_done, files.meter_readings,
        files.examinations,
    )  # fmt: skip


def _ids(records: Mapping[Line, Record]) -> frozenset[str]:
    return frozenset(record.id for record in records.values())


def _flaw(where: Line | str, column: str, message: str) -> Flaw:
    return Flaw(path=f"{where}, {column}", message=message)


def _repeated(records: Mapping[Line, Record], column: str) -> Iterator[Flaw]:
    first: dict[str, Line] = {}
    for line, record in records.items():
        value = getattr(record, column)
        if value in first:
            yield _flaw(line, column, f"{value!r} stands on line {first[value].number} already")
        else:
            first[value] = line


def _read_twice(readings: Mapping[Line, MeterReadingRecord]) -> Iterator[Flaw]:
    first: dict[tuple[str, str, datetime], Line] = {}
    for line, reading in readings.items():
        key = reading.machine_id, reading.counter, reading.taken_at
        earlier = first.setdefault(key, line)
        if earlier is not line:
            message = (
                f"{reading.counter} of machine {reading.machine_id!r} was read at that instant on "
                f"line {earlier.number} already: leave one of them out"
            )
            yield _flaw(line, "taken_at", message)


def _beyond_a_life(files: CompanyFiles, catalogue: Catalogue) -> Iterator[Flaw]:
    """Yield what no machine can have counted; slips among old readings are left to ``meters``."""
    builds = {record.id: record.build() for record in files.machines.values()}
    for line, record in files.meter_readings.items():
        if record.machine_id in builds:
            reading = MeterReading(
                counter=record.counter, value=record.value, taken_at=record.taken_at
            )
            try:
                check_counter(reading, builds[record.machine_id], catalogue)
            except InvalidInput as refusal:
                yield _flaw(line, "value", str(refusal))


def _examined_ahead(files: CompanyFiles, today: date) -> Iterator[Flaw]:
    for line, record in files.examinations.items():
        if record.examined_on > today:
            yield _flaw(line, "examined_on", f"must not lie ahead, got {record.examined_on}")


def _misplaced(files: CompanyFiles, catalogue: Catalogue) -> Iterator[Flaw]:
    """Yield certificates of what the law does not ask of that machine or part."""
    builds = {record.id: record.build() for record in files.machines.values()}
    parts = {record.id: record for record in files.fitted_parts.values()}
    for line, record in files.examinations.items():
        rule, build = catalogue.rules.get(record.rule), builds.get(record.machine_id)
        if rule is None or build is None:
            continue  # said already
        if not build.suits(rule.applies_to):
            yield _flaw(line, "rule", f"{rule.name} is not asked for on machines built like that")
        part = parts.get(record.fitted_part_id or "")
        found = None if part is None else (part.machine_id, part.part_type)
        wanted = None if rule.part_type is None else (record.machine_id, rule.part_type)
        if found != wanted:
            what = "nothing" if wanted is None else f"a {wanted[1]} of machine {wanted[0]}"
            yield _flaw(line, "fitted_part_id", f"must be {what}, got {record.fitted_part_id!r}")


def _missing(
    records: Mapping[Line, Record], column: str, known: Iterable[str], where: str
) -> Iterator[Flaw]:
    known = frozenset(known)
    for line, record in records.items():
        value = getattr(record, column)
        for name in value if isinstance(value, list) else [value]:
            if name is not None and name not in known:
                yield _flaw(line, column, f"{name!r} is not in {where}: add it there or correct it")


class _Reader:
    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self.flaws: list[Flaw] = []

    def company(self) -> CompanyRecord | None:
        document = self._toml("company.toml")
        return None if document is None else self._checked("company.toml", CompanyRecord, document)

    def barriers(self) -> Sequence[Mapping[str, Any]]:
        if not (self._folder / "barriers.toml").exists():
            return ()
        documents: list[Mapping[str, Any]] = (self._toml("barriers.toml") or {}).get("barriers", [])
        try:
            barriers_from_documents(documents)
        except InvalidInput as refusal:
            self.flaws.append(Flaw(path="barriers.toml", message=str(refusal)))
        return documents

    def optional_records(self, name: str, model: type[AnyRecord]) -> dict[Line, AnyRecord]:
        return self.records(name, model) if (self._folder / f"{name}.csv").exists() else {}

    def records(self, name: str, model: type[AnyRecord]) -> dict[Line, AnyRecord]:
        file = f"{name}.csv"
        text = self._text(file)
        if text is None:
            return {}
        table = csv.reader(StringIO(text, newline=""), strict=True)
        found: dict[Line, AnyRecord] = {}
        try:
            columns = next(table, [])
            if not self._has_columns(file, columns, model):
                return {}
            for cells in table:
                if not cells:
                    continue  # an empty line
                line = Line(file=file, number=table.line_num)
                if len(cells) != len(columns):
                    self.flaws.append(
                        Flaw(path=str(line), message=f"has {len(cells)} cells instead of "
                             f"{len(columns)}: put a cell with a comma in quotation marks")
                    )  # fmt: skip
                    continue
                values = {column: cell for column, cell in zip(columns, cells, strict=True) if cell}
                record = self._checked(line, model, values)
                if record is not None:
                    found[line] = record
        except csv.Error as error:
            self.flaws.append(Flaw(path=f"{file} line {table.line_num}", message=str(error)))
        return found

    def _has_columns(self, file: str, columns: Sequence[str], model: type[Record]) -> bool:
        known = set(model.model_fields)
        required = {name for name, field in model.model_fields.items() if field.is_required()}
        problems = [
            *(f"column {name!r} stands twice" for name in set(columns) if columns.count(name) > 1),
            *(f"there is no column {name!r}" for name in sorted(set(columns) - known)),
            *(f"column {name!r} is missing" for name in sorted(required - set(columns))),
        ]
        self.flaws.extend(
            Flaw(path=f"{file} line 1", message=f"{problem}; known are {', '.join(sorted(known))}")
            for problem in problems
        )
        return not problems

    def _checked(
        self, where: Line | str, model: type[CheckedModel], values: Mapping[str, Any]
    ) -> CheckedModel | None:
        try:
            return model.model_validate(values)
        except ValidationError as error:
            for detail in error.errors(include_url=False):
                column = str(detail["loc"][0]) if detail["loc"] else "the whole line"
                given = "nothing" if detail["type"] == "missing" else repr(values.get(column))
                message = detail["msg"].removeprefix("Value error, ")
                at_column = values.get(column) is not None or detail["type"] == "missing"
                got = f", got {given}" if at_column and given not in message else ""
                self.flaws.append(_flaw(where, column, message + got))
            return None

    def _toml(self, file: str) -> dict[str, Any] | None:
        text = self._text(file)
        if text is None:
            return None
        try:
            return tomllib.loads(text)
        except tomllib.TOMLDecodeError as error:
            self.flaws.append(Flaw(path=file, message=str(error)))
            return None

    def _text(self, file: str) -> str | None:
        try:
            return (self._folder / file).read_text(encoding="utf-8-sig")
        except FileNotFoundError:
            message = f"is missing from {self._folder}"
        except (OSError, UnicodeDecodeError) as error:
            message = f"cannot be read: {error}"
        self.flaws.append(Flaw(path=file, message=message))
        return None
