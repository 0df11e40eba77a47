"""A company of two technicians, two sites and two machines, on a database of its own.

Both technicians work Monday to Friday from eight to half past four; both sites let people in all
day and can do without the machine before eleven. Today is Monday 22 March 2027, half past six.
"""

from collections.abc import Iterator
from datetime import UTC, date, datetime
from pathlib import Path

import pytest

from api.storage.audit import Origin
from api.storage.database import Database
from api.storage.tables import (
    ClientRow,
    CompanyRow,
    ContractRow,
    FittedPartRow,
    MachineRow,
    PublicationRow,
    SiteRow,
    TechnicianRow,
)
from scheduler.catalogue import Catalogue
from seed_data.catalogue import load_catalogue
from tests.api.conftest import copy_of, sqlite_file

NOW = datetime(2027, 3, 22, 5, 30, tzinfo=UTC)  # 06:30 in Paris
TODAY = date(2027, 3, 22)
TESTER = Origin(actor="tester")
ZONE = "Europe/Paris"
ALL_SKILLS = ["electrical", "electrical_test", "espresso", "grinder", "pressure", "water"]


@pytest.fixture(scope="session")
def catalogue() -> Catalogue:
    return load_catalogue()


@pytest.fixture(scope="session")
def small_company(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return sqlite_file(tmp_path_factory.mktemp("small_company"), fill)


@pytest.fixture
def database(small_company: Path, tmp_path: Path) -> Iterator[Database]:
    with copy_of(small_company, tmp_path) as database:
        yield database


def fill(database: Database) -> None:
    """Store the small company."""
    with database.write() as session:
        if session.get(PublicationRow, 1) is None:
            session.add(PublicationRow(id=1, revision=0, changed_at=NOW))
        session.add(
            CompanyRow(
                id=1,
                name="Vapeur & Fils",
                zone=ZONE,
                currency="EUR",
                holiday_country="FR",
                workshop_lat=44.84,
                workshop_lon=-0.58,
            )
        )
        for number, (lat, lon) in enumerate([(44.80, -0.60), (44.90, -0.55)], start=1):
            session.add(
                TechnicianRow(
                    id=f"te-{number}",
                    name=f"Technician {number}",
                    lat=lat,
                    lon=lon,
                    zone=ZONE,
                    skills=ALL_SKILLS,
                    working_hours="Mo-Fr 08:00-16:30",
                    holiday_country="FR",
                    break_minutes=30,
                )
            )
            session.add(ClientRow(id=f"cl-{number}", name=f"Client {number}"))
            session.flush()
            session.add(
                ContractRow(
                    id=f"ct-{number}",
                    client_id=f"cl-{number}",
                    kind="full care",
                    starts_on=date(2025, 1, 1),
                    response_minutes={"danger": 120, "stopped": 240, "impaired": 960},
                    service_hours="Mo-Fr 08:00-18:00",
                    zone=ZONE,
                    holiday_country="FR",
                )
            )
            session.flush()
            session.add(
                SiteRow(
                    id=f"si-{number}",
                    client_id=f"cl-{number}",
                    contract_id=f"ct-{number}",
                    name=f"Café {number}",
                    kind="bar",
                    address=f"{number} rue du Port",
                    town="Bordeaux",
                    lat=44.84 + number / 100,
                    lon=-0.58,
                    zone=ZONE,
                    opening_hours="Mo-Sa 07:00-20:00",
                    access_hours="Mo-Fr 08:00-17:00",
                    quiet_hours="Mo-Fr 08:00-13:00",
                )
            )
            session.flush()
            session.add(
                MachineRow(
                    id=f"ma-{number}",
                    tag=f"E{number}",
                    serial=f"S{number}",
                    site_id=f"si-{number}",
                    name="Two groups",
                    kind="espresso_machine",
                    boiler_layout="separate_boilers",
                    groups=2,
                    dosing="volumetric",
                    features=[],
                    installed_on=date(2024, 3, 1),
                    drinks_per_day=250,
                )
            )
            session.flush()
            session.add(
                FittedPartRow(
                    id=f"pa-{number}",
                    machine_id=f"ma-{number}",
                    part_type="group_gasket",
                    position="group 1",
                    fitted_on=date(2026, 12, 1),
                )
            )
