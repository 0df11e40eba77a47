"""Two clients with a café each, two technicians, and a key for everybody."""

from collections.abc import Callable, Iterator
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest
from fastapi import FastAPI
from fastapi.testclient import TestClient

from api.actions.keys import create_key
from api.auth import Role
from api.http.app import create_app
from api.http.context import present
from api.storage.audit import Origin
from api.storage.database import Database
from api.storage.documents import worksheet_to_json
from api.storage.tables import (
    AbsenceRow,
    AppointmentRow,
    ClientRow,
    CompanyRow,
    ContractRow,
    DueTaskRow,
    FittedPartRow,
    MachineRow,
    MeterReadingRow,
    SiteRow,
    TechnicianRow,
    VisitRow,
    WorkDoneRow,
)
from scheduler.catalogue import Catalogue
from scheduler.worksheet import Worksheet
from seed_data.catalogue import load_catalogue
from tests.api.conftest import copy_of, sqlite_file

NOW = datetime(2027, 3, 1, 8, tzinfo=UTC)
TODAY = NOW.date()
TEST = Origin(actor="test")

Caller = Callable[[str], TestClient]


@pytest.fixture(scope="session")
def catalogue() -> Catalogue:
    return load_catalogue()


@pytest.fixture(scope="session")
def filled_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A database with the two clients in it, to be copied."""

    def fill(database: Database) -> None:
        with database.write() as session:
            session.add(
                CompanyRow(
                    id=1, name="Vapora", zone="Europe/Oslo", currency="NOK", holiday_country="NO",
                    workshop_lat=60.39, workshop_lon=5.32,
                )
            )  # fmt: skip
            for each in ("a", "b"):
                session.add_all(of_client(each))

    return sqlite_file(tmp_path_factory.mktemp("filled"), fill)


@pytest.fixture
def database(filled_file: Path, tmp_path: Path) -> Iterator[Database]:
    with copy_of(filled_file, tmp_path) as database:
        yield database


def of_client(x: str) -> list[object]:
    """Return everything of client ``x``, its ids ending in the client's letter."""
    sheet = Worksheet(
        steps=(), minutes=60, minutes_p80=75, machine_back_minutes={}, needs_off=False,
        skills=frozenset({"espresso"}), parts={}, tools=("spanner",), cautions=("hot",),
        because="an hour",
    )  # fmt: skip
    return [
        ClientRow(id=f"c-{x}", name=f"Client {x}"),
        ContractRow(
            id=f"k-{x}", client_id=f"c-{x}", kind="full", starts_on=date(2026, 1, 1),
            response_minutes={"danger": 60, "stopped": 240, "impaired": 480, "minor": 960},
            service_hours="Mo-Fr 08:00-17:00", zone="Europe/Oslo", holiday_country="NO",
        ),
        SiteRow(
            id=f"s-{x}", client_id=f"c-{x}", contract_id=f"k-{x}", name=f"Site {x}", kind="bar",
            address="1 Quay", town="Bergen", lat=60.39, lon=5.32, zone="Europe/Oslo",
            opening_hours="Mo-Su 07:00-22:00", access_hours="Mo-Fr 09:00-11:00",
            quiet_hours="Mo-Fr 14:00-16:00",
        ),
        MachineRow(
            id=f"m-{x}", tag=f"E-{x}", serial="", site_id=f"s-{x}", name="Two groups",
            kind="espresso_machine", boiler_layout="separate_boilers", groups=2,
            dosing="volumetric", features=[], installed_on=date(2024, 5, 2), drinks_per_day=180,
        ),
        FittedPartRow(
            id=f"p-{x}", machine_id=f"m-{x}", part_type="group_gasket", position="group 1",
            fitted_on=date(2026, 5, 2),
        ),
        WorkDoneRow(
            id=f"w-{x}", machine_id=f"m-{x}", fitted_part_id=f"p-{x}", rule="group_gasket_replace",
            outcome="planned", done_on=date(2026, 5, 2),
        ),
        MeterReadingRow(
            id=f"r-{x}", machine_id=f"m-{x}", counter="brew_cycles", value=5, taken_at=NOW
        ),
        TechnicianRow(
            id=f"t-{x}", name=f"Technician {x}", lat=60.4, lon=5.3, zone="Europe/Oslo",
            skills=["espresso"], working_hours="Mo-Fr 08:00-16:00", holiday_country="NO",
        ),
        AbsenceRow(
            id=f"ab-{x}", technician_id=f"t-{x}", starts_at=NOW + timedelta(days=30),
            ends_at=NOW + timedelta(days=31),
        ),
        VisitRow(
            id=f"v-{x}", site_id=f"s-{x}", kind="upkeep", window="access", minutes=60,
            skills=["espresso"], earliest=TODAY, target=TODAY, latest=TODAY + timedelta(days=9),
            headlines=["gaskets"], worksheet=worksheet_to_json(sheet), state="booked",
        ),
        DueTaskRow(
            id=f"d-{x}", machine_id=f"m-{x}", site_id=f"s-{x}", fitted_part_id=f"p-{x}",
            rule="group_gasket_replace", anchor=TODAY, earliest=TODAY, target=TODAY,
            latest=TODAY + timedelta(days=9), hard=False, because="worn", visit_id=f"v-{x}",
        ),
        AppointmentRow(
            id=f"ap-{x}", visit_id=f"v-{x}", technician_id=f"t-{x}",
            starts_at=NOW + timedelta(days=1), ends_at=NOW + timedelta(days=1, hours=1),
            created_at=NOW, revised_at=NOW,
        ),
    ]  # fmt: skip


@pytest.fixture(scope="session")
def app(filled_file: Path, catalogue: Catalogue) -> FastAPI:
    """The application, at a standing clock; each test puts its own database in."""
    database = Database(f"sqlite:///{filled_file}")
    app = create_app(database, catalogue, public_url="https://plan.example.org")
    app.dependency_overrides[present] = lambda: NOW
    return app


@pytest.fixture
def nobody(app: FastAPI, database: Database) -> TestClient:
    """A caller without a key."""
    app.state.database = database
    return TestClient(app, raise_server_exceptions=False)


@pytest.fixture
def caller(nobody: TestClient, app: FastAPI, database: Database) -> Caller:
    """Callers by name: "dispatcher", "administrator", "portal-a", "technician-b" and so on."""
    headers: dict[str, dict[str, str]] = {}

    def call_as(name: str) -> TestClient:
        role, _, letter = name.partition("-")
        if name not in headers:
            _, key = create_key(
                database,
                name=name,
                role=Role(role),
                client=f"c-{letter}" if role == "portal" else None,
                technician=f"t-{letter}" if role == "technician" else None,
                now=NOW,
                origin=TEST,
            )
            headers[name] = {"Authorization": f"Bearer {key}"}
        return TestClient(app, headers=headers[name], raise_server_exceptions=False)

    return call_as


@pytest.fixture
def an_hour_later(app: FastAPI) -> Iterator[Callable[[], None]]:
    """Sets the clock forward when it is called, until the end of the test."""

    def set_forward() -> None:
        app.dependency_overrides[present] = lambda: NOW + timedelta(hours=1)

    yield set_forward
    app.dependency_overrides[present] = lambda: NOW


@pytest.fixture
def due_today(database: Database) -> Database:
    """The same with both appointments today, so that they may be begun."""
    with database.write() as session:
        for name in ("ap-a", "ap-b"):
            row = session.get_one(AppointmentRow, name)
            row.starts_at, row.ends_at = NOW + timedelta(hours=1), NOW + timedelta(hours=2)
        session.get_one(MeterReadingRow, "r-a").taken_at = NOW - timedelta(hours=1)
    return database


@pytest.fixture
def dispatcher(caller: Caller) -> TestClient:
    return caller("dispatcher")
