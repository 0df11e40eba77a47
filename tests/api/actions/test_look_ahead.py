"""The year ahead of a part of the demo company: shared visits against one for each task."""

import csv
from collections.abc import Callable, Iterator
from datetime import date
from pathlib import Path

import pytest

from api.actions.load_company import load_company
from api.actions.look_ahead import outlook, visits_ahead
from api.storage.database import Database
from scheduler.bundling_policy import BundlingPolicy
from scheduler.catalogue import Catalogue
from seed_data.company import COMPANY_FOLDER
from tests.api.actions.conftest import NOW, TESTER

TODAY = date(2027, 3, 22)
SITES = 12


@pytest.fixture
def part_of_the_demo(tmp_path: Path, catalogue: Catalogue) -> Iterator[Database]:
    """The first dozen sites with all that stands there."""
    folder = tmp_path / "company"
    folder.mkdir()
    for file in COMPANY_FOLDER.glob("*.toml"):
        (folder / file.name).write_bytes(file.read_bytes())
    sites = _copy(folder, "sites.csv", lambda row: True, most=SITES)
    machines = _copy(folder, "machines.csv", lambda row: row["site_id"] in sites)
    for name in ("fitted_parts.csv", "work_done.csv", "examinations.csv", "meter_readings.csv"):
        _copy(folder, name, lambda row: row["machine_id"] in machines)
    for name in ("clients.csv", "contracts.csv", "technicians.csv", "absences.csv"):
        _copy(folder, name, lambda row: True)
    database = Database(f"sqlite:///{tmp_path / 'demo.sqlite'}")
    database.create_or_upgrade()
    load_company(database, folder, catalogue, now=NOW, origin=TESTER)
    yield database
    database.close()


def _copy(
    folder: Path, name: str, wanted: Callable[[dict[str, str]], bool], most: int | None = None
) -> set[str]:
    """Copy the wanted rows of a file and return their ids."""
    with (COMPANY_FOLDER / name).open(encoding="utf-8", newline="") as source:
        reader = csv.DictReader(source)
        rows = [row for row in reader if wanted(row)][:most]
        with (folder / name).open("w", encoding="utf-8", newline="") as target:
            writer = csv.DictWriter(target, reader.fieldnames or ())
            writer.writeheader()
            writer.writerows(rows)
    return {row["id"] for row in rows}


def test_shared_visits_save_a_fifth_at_least_and_miss_no_latest_day(
    part_of_the_demo: Database, catalogue: Catalogue
) -> None:
    with part_of_the_demo.read() as session:
        year = visits_ahead(session, catalogue, today=TODAY, policy=BundlingPolicy())

    cost = sum(period.cost_minutes for period in year)
    alone = sum(period.separate_minutes for period in year)
    assert cost <= 0.8 * alone
    assert sum(period.missed for period in year) == 0
    # work that joins a visit is done early, so that more of it falls into a year than in the
    # outlook, which takes every task on its target day
    with part_of_the_demo.read() as session:
        ahead = sum(month.tasks for month in outlook(session, catalogue, today=TODAY))
    assert ahead < sum(period.tasks for period in year) < 1.25 * ahead
