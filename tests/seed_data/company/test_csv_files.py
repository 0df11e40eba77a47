"""The committed CSV files are what the generator writes, in the columns that are loaded."""

from dataclasses import fields
from datetime import UTC, date, datetime
from pathlib import Path

import pytest

import seed_data.company
from api.actions.company_records import (
    AbsenceRecord,
    ClientRecord,
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
from seed_data.company.csv_files import RECORD_OF_FILE, csv_texts
from seed_data.company.records import Absence, Contract, DemoCompany, Site

FOLDER = Path(seed_data.company.__file__).parent

LOADED: dict[str, type[Record]] = {
    "clients": ClientRecord,
    "contracts": ContractRecord,
    "sites": SiteRecord,
    "technicians": TechnicianRecord,
    "absences": AbsenceRecord,
    "machines": MachineRecord,
    "fitted_parts": FittedPartRecord,
    "work_done": WorkDoneRecord,
    "meter_readings": MeterReadingRecord,
    "examinations": ExaminationRecord,
}


@pytest.mark.parametrize("name", RECORD_OF_FILE)
def test_committed_file_is_what_the_generator_writes(company: DemoCompany, name: str) -> None:
    committed = (FOLDER / f"{name}.csv").read_text(encoding="utf-8")
    written = csv_texts(company)[f"{name}.csv"]
    # not "assert committed == written": pytest would spend minutes on the difference
    differing = [
        pair
        for pair in zip(committed.splitlines(), written.splitlines(), strict=False)
        if pair[0] != pair[1]
    ]
    assert (differing[:3], len(committed)) == ([], len(written)), (
        "the catalogue or the generator changed: run python -m seed_data.company.generate"
    )


@pytest.mark.parametrize("name", RECORD_OF_FILE)
def test_columns_are_those_that_are_loaded(name: str) -> None:
    columns = {column.name for column in fields(RECORD_OF_FILE[name])}
    known = LOADED[name].model_fields
    assert columns <= set(known)
    assert {key for key, field in known.items() if field.is_required()} <= columns


def test_files_stay_small(company: DemoCompany) -> None:
    assert sum(len(text.encode()) for text in csv_texts(company).values()) < 3_000_000


def test_cells_are_written_as_the_loader_reads_them() -> None:
    rows = csv_texts(_tiny())
    assert rows["absences.csv"].splitlines()[1] == (
        "ab-9,te-1,2027-03-28T00:30:00Z,2027-03-29T06:00:00Z,dentist"
    )
    assert rows["contracts.csv"].splitlines()[1] == (
        "ct-9,cl-9,full care,2025-01-01,,danger=60 minor=2400,Mo-Su 07:00-20:00,"
        "Europe/Paris,FR,,true,false,true"
    )
    assert ",2026-11-01/2027-03-12 2027-11-01/2028-03-12,8.5," in rows["sites.csv"]


def _tiny() -> DemoCompany:
    return DemoCompany(
        clients=(),
        contracts=(
            Contract(
                id="ct-9",
                client_id="cl-9",
                kind="full care",
                starts_on=date(2025, 1, 1),
                ends_on=None,
                response_minutes={"danger": 60, "minor": 2400},
                service_hours="Mo-Su 07:00-20:00",
                zone="Europe/Paris",
                holiday_country="FR",
                holiday_subdivision=None,
                serves_holidays=True,
                upkeep_included=False,
                statutory_included=True,
            ),
        ),
        sites=(
            Site(
                id="si-9",
                client_id="cl-9",
                contract_id="ct-9",
                name="Cabane",
                kind="beach café",
                address="1 quai",
                town="Royan",
                lat=45.6,
                lon=-1.0,
                altitude_metres=5.0,
                zone="Europe/Paris",
                opening_hours="Mo 08:00-09:00",
                access_hours="",
                quiet_hours="",
                closures=(
                    (date(2026, 11, 1), date(2027, 3, 12)),
                    (date(2027, 11, 1), date(2028, 3, 12)),
                ),
                hardness_dh=8.5,
                access_notes="",
                phone="",
            ),
        ),
        technicians=(),
        absences=(
            Absence(
                id="ab-9",
                technician_id="te-1",
                starts_at=datetime(2027, 3, 28, 0, 30, tzinfo=UTC),
                ends_at=datetime(2027, 3, 29, 6, tzinfo=UTC),
                reason="dentist",
            ),
        ),
        machines=(),
        fitted_parts=(),
        work_done=(),
        meter_readings=(),
    )
