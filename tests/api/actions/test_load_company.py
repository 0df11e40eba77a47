"""A small company in CSV files, loaded, loaded again, and spoilt in every way a file can be."""

from collections.abc import Callable
from datetime import UTC, date, datetime, time
from pathlib import Path

import pytest
from sqlmodel import func, select

from api.actions.appointments import book_by_hand, change_state
from api.actions.load_company import Loaded, load_company
from api.actions.raise_due_work import raise_due_work
from api.actions.report_visit import VisitReport, report_work
from api.storage.audit import Origin
from api.storage.company_travel import estimated_travel
from api.storage.database import Database
from api.storage.snapshots import (
    active_technicians,
    company_zone,
    contracts_by_id,
    machines_by_id,
    sites_by_id,
)
from api.storage.tables import (
    AuditRow,
    ClientRow,
    DueTaskRow,
    FittedPartRow,
    MachineRow,
    SiteRow,
    TechnicianRow,
    VisitRow,
)
from scheduler.catalogue import BoilerLayout, Catalogue, Counter, Dosing, EquipmentKind
from scheduler.company import Contract, Site, Technician, Urgency
from scheduler.errors import InvalidCompany
from scheduler.lifecycle import AppointmentState
from scheduler.machines import Build, FittedPart, Machine, MeterReading, Outcome, WorkDone
from scheduler.places import Coordinates
from scheduler.travel import StraightLineTravel
from scheduler.water import HardnessUnit, convert_hardness
from scheduler.waters import Barrier, Crossing
from scheduler.weekly_hours import WeeklyHours
from scheduler.working_time import LocalPeriod, WorkingCalendar, public_holidays
from seed_data.catalogue import load_catalogue

NOW = datetime(2027, 3, 1, 8, tzinfo=UTC)
ORIGIN = Origin(actor="test")

FILES = {
    "company.toml": (
        'name = "Vapora"\nzone = "Europe/Oslo"\ncurrency = "NOK"\nholiday_country = "NO"\n'
        "workshop_lat = 60.39\nworkshop_lon = 5.32\n"
    ),
    "barriers.toml": (
        '[[barriers]]\nname = "fjord"\nline = [[60.0, 5.0], [60.0, 6.0]]\n'
        '[[barriers.crossings]]\nname = "ferry"\nfrom = [59.9, 5.5]\nto = [60.1, 5.5]\n'
        "ferry_minutes = 25\n"
    ),
    "clients.csv": 'id,name,contact_name,contact_phone,contact_email\nc1,"Quay, Cafés",Liv,,\n',
    "contracts.csv": (
        "id,client_id,kind,starts_on,ends_on,response_minutes,service_hours,zone,holiday_country,"
        "holiday_subdivision,serves_holidays,upkeep_included,statutory_included\n"
        "k1,c1,full,2026-01-01,,danger=120 stopped=240,Mo-Fr 08:00-17:00,Europe/Oslo,NO,,false,"
        "true,true\n"
    ),
    "sites.csv": (
        "id,client_id,contract_id,name,kind,address,town,lat,lon,altitude_metres,zone,"
        "opening_hours,access_hours,quiet_hours,closures,hardness_dh,access_notes,phone\n"
        's1,c1,k1,Quay,bar,1 Quay,Bergen,60.39,5.32,4,Europe/Oslo,Mo-Su 07:00-22:00,"Mo-Fr 09:00-'
        '11:00,14:00-16:00",Mo-Fr 14:00-16:00,2027-08-01/2027-08-15,35 mg/L CaCO3,,\n'
    ),
    "technicians.csv": (
        "id,name,phone,email,home_town,lat,lon,zone,skills,working_hours,holiday_country,"
        "holiday_subdivision,break_minutes,break_earliest,break_latest,pace,active\n"
        "t1,Åse,,,Bergen,60.4,5.3,Europe/Oslo,espresso pressure,Mo-Fr 08:00-16:00,NO,,30,11:00,"
        "13:00,1.1,true\n"
    ),
    "absences.csv": (
        "id,technician_id,starts_at,ends_at,reason\n"
        "ab1,t1,2027-04-05T22:00:00Z,2027-04-09T22:00:00Z,holiday\n"
    ),
    "machines.csv": (
        "id,tag,serial,site_id,name,kind,boiler_layout,groups,dosing,features,installed_on,"
        "retired_on,drinks_per_day\n"
        "m1,E1,X1,s1,Two groups,espresso_machine,separate_boilers,2,volumetric,sight_glass,"
        "2024-05-02,,180\n"
        "m2,E2,X2,s1,Old one,espresso_machine,heat_exchanger,1,semi_automatic,,2014-05-02,"
        "2026-01-01,50\n"
    ),
    "fitted_parts.csv": (
        "id,machine_id,part_type,position,fitted_on,removed_on,removal\n"
        "p1,m1,group_gasket,group 1,2024-05-02,2025-06-01,planned\n"
        "p2,m1,group_gasket,group 1,2025-06-01,,\n"
    ),
    "work_done.csv": (
        "id,machine_id,fitted_part_id,rule,outcome,done_on,technician_id,visit_id,note\n"
        "w1,m1,p2,group_gasket_replace,planned,2026-06-01,t1,,\n"
    ),
    "meter_readings.csv": (
        "id,machine_id,counter,value,taken_at\nr1,m1,brew_cycles,1200,2026-06-01T09:00:00Z\n"
    ),
}  # fmt: skip


@pytest.fixture(scope="module")
def catalogue() -> Catalogue:
    return load_catalogue()


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    folder = tmp_path / "company"
    folder.mkdir()
    for name, text in FILES.items():
        (folder / name).write_text(text, encoding="utf-8")
    return folder


@pytest.fixture
def database(tmp_path: Path) -> Database:
    database = Database(f"sqlite:///{tmp_path / 'steamround.sqlite'}")
    database.create_or_upgrade()
    return database


@pytest.fixture
def load(database: Database, catalogue: Catalogue) -> Callable[[Path], dict[str, Loaded]]:
    return lambda folder: load_company(database, folder, catalogue, now=NOW, origin=ORIGIN)


Load = Callable[[Path], dict[str, Loaded]]


def test_a_second_load_changes_nothing(database: Database, load: Load, folder: Path) -> None:
    def everything() -> list[str]:
        with database.read() as session:
            driver: object = session.connection().connection.driver_connection
            return list(driver.iterdump())  # type: ignore[attr-defined]

    first = load(folder)
    stored = everything()
    second = load(folder)

    assert first["machine"] == Loaded(added=2)
    assert second["machine"] == Loaded(unchanged=2)
    assert {(loaded.added, loaded.changed) for loaded in second.values()} == {(0, 0)}
    assert everything() == stored


def test_a_changed_line_changes_its_row_alone(database: Database, load: Load, folder: Path) -> None:
    load(folder)
    clients = folder / "clients.csv"
    clients.write_text(clients.read_text() + "\nc2,New client,,,\n\n", encoding="utf-8")
    sites = folder / "sites.csv"
    sites.write_text(sites.read_text().replace("1 Quay", "2 Quay"), encoding="utf-8")

    outcome = load(folder)

    assert outcome["client"] == Loaded(added=1, unchanged=1)
    assert outcome["site"] == Loaded(changed=1)
    with database.read() as session:
        site = session.get_one(SiteRow, "s1")
        assert (site.address, site.version) == ("2 Quay", 2)
        assert session.get_one(ClientRow, "c1").version == 1
        trail = session.exec(select(AuditRow).order_by(AuditRow.id)).all()
        assert [(row.verb, row.actor) for row in trail] == [("load", "test")] * 2


def test_a_load_after_a_report_takes_nothing_back(
    database: Database, load: Load, folder: Path, catalogue: Catalogue
) -> None:
    load(folder)
    raise_due_work(database, catalogue, now=NOW, origin=ORIGIN)
    with database.write() as session:
        task = session.exec(
            select(DueTaskRow).where(
                DueTaskRow.fitted_part_id == "p2", DueTaskRow.rule == "group_gasket_replace"
            )
        ).one()
        visit = session.get_one(VisitRow, task.visit_id)
        person = session.get_one(TechnicianRow, "t1")
        person.skills = sorted({*person.skills, *visit.skills})
    row = book_by_hand(database, visit.id, "t1", NOW, catalogue, now=NOW, origin=ORIGIN)
    change_state(database, row.id, AppointmentState.UNDER_WAY, catalogue, now=NOW, origin=ORIGIN)
    report_work(database, row.id, VisitReport(), catalogue, now=NOW, origin=ORIGIN)

    def parts() -> list[dict[str, object]]:
        with database.read() as session:
            rows = session.exec(select(FittedPartRow).order_by(FittedPartRow.id)).all()
        return [row.model_dump() for row in rows]

    after_the_report = parts()
    (old,) = (part for part in after_the_report if part["id"] == "p2")
    assert old["removed_on"] == NOW.date()

    outcome = load(folder)

    assert parts() == after_the_report
    assert outcome["fitted_part"] == Loaded(unchanged=2)


def test_a_load_brings_nothing_back_that_was_removed_or_retired(
    database: Database, load: Load, folder: Path
) -> None:
    load(folder)
    with database.write() as session:
        part = session.get_one(FittedPartRow, "p2")
        part.removed_on, part.removal = date(2027, 2, 1), "failure"
        session.get_one(MachineRow, "m1").retired_on = date(2027, 2, 2)
        session.get_one(MachineRow, "m1").name = "Renamed"

    load(folder)

    with database.read() as session:
        part = session.get_one(FittedPartRow, "p2")
        machine = session.get_one(MachineRow, "m1")
    assert (part.removed_on, part.removal) == (date(2027, 2, 1), "failure")
    assert (machine.retired_on, machine.name) == (date(2027, 2, 2), "Two groups")


def test_a_part_whose_removal_the_files_learn_of_is_removed(
    database: Database, load: Load, folder: Path
) -> None:
    load(folder)
    parts = folder / "fitted_parts.csv"
    text = parts.read_text().replace("2025-06-01,,", "2025-06-01,2027-01-05,failure")
    parts.write_text(text, encoding="utf-8")

    assert load(folder)["fitted_part"] == Loaded(changed=1, unchanged=1)

    with database.read() as session:
        part = session.get_one(FittedPartRow, "p2")
    assert (part.removed_on, part.removal) == (date(2027, 1, 5), "failure")


def test_the_engine_sees_what_the_files_say(database: Database, load: Load, folder: Path) -> None:
    load(folder)
    norway = frozenset().union(*(public_holidays("NO", None, year) for year in range(2026, 2030)))

    def hours(
        text: str,
        holidays: frozenset[date] = norway,
        closures: tuple[LocalPeriod, ...] = (),
    ) -> WorkingCalendar:
        return WorkingCalendar(
            zone="Europe/Oslo",
            weekly=WeeklyHours.parse(text),
            holidays=holidays,
            closures=closures,
        )

    milligrams = HardnessUnit.MILLIGRAMS_PER_LITRE
    august = (LocalPeriod.whole_days(date(2027, 8, 1), date(2027, 8, 15)),)
    with database.read() as session:
        assert sites_by_id(session, from_day=date(2027, 3, 1)) == {
            "s1": Site(
                id="s1", client="c1", contract="k1", name="Quay", lat=60.39, lon=5.32,
                opening=hours("Mo-Su 07:00-22:00", frozenset(), august),
                access=hours("Mo-Fr 09:00-11:00,14:00-16:00", closures=august),
                quiet=hours("Mo-Fr 14:00-16:00", closures=august),
                hardness_dh=convert_hardness(35, milligrams, HardnessUnit.GERMAN_DEGREE),
                altitude_metres=4,
            )
        }  # fmt: skip
        assert contracts_by_id(session, from_day=date(2027, 3, 1)) == {
            "k1": Contract(
                id="k1", client="c1", kind="full",
                response_minutes={Urgency.DANGER: 120, Urgency.STOPPED: 240},
                service_hours=hours("Mo-Fr 08:00-17:00"),
                upkeep_included=True, statutory_included=True, starts_on=date(2026, 1, 1),
            )
        }  # fmt: skip
        # 22:00Z is midnight in Oslo: summer time began on 28 March 2027
        easter_week = (LocalPeriod.whole_days(date(2027, 4, 6), date(2027, 4, 9)),)
        assert active_technicians(session, from_day=date(2027, 3, 1)) == (
            Technician(
                id="t1", name="Åse", lat=60.4, lon=5.3, skills=frozenset({"espresso", "pressure"}),
                calendar=hours("Mo-Fr 08:00-16:00", closures=easter_week),
                break_minutes=30, break_earliest=time(11), break_latest=time(13), pace=1.1,
            ),
        )  # fmt: skip
        assert machines_by_id(session, on=date(2027, 3, 1)) == {
            "m1": Machine(
                id="m1", site="s1", name="Two groups", installed_on=date(2024, 5, 2),
                drinks_per_day=180,
                build=Build(
                    kind=EquipmentKind.ESPRESSO_MACHINE,
                    boiler_layout=BoilerLayout.SEPARATE_BOILERS,
                    groups=2,
                    dosing=Dosing.VOLUMETRIC,
                    features=frozenset({"sight_glass"}),
                ),
                parts=(
                    FittedPart(
                        id="p2", part_type="group_gasket", position="group 1",
                        fitted_on=date(2025, 6, 1),
                    ),
                ),
                history=(
                    WorkDone(
                        rule="group_gasket_replace", fitted_part="p2", done_on=date(2026, 6, 1),
                        outcome=Outcome.PLANNED,
                    ),
                ),
                meter_readings=(
                    MeterReading(
                        counter=Counter.BREW_CYCLES, value=1200,
                        taken_at=datetime(2026, 6, 1, 9, tzinfo=UTC),
                    ),
                ),
            )
        }  # fmt: skip
        # the day before the old machine was taken out, both stand there
        assert set(machines_by_id(session, on=date(2025, 12, 31))) == {"m1", "m2"}
        assert company_zone(session) == "Europe/Oslo"
        ferry = Crossing(
            name="ferry", one_end=Coordinates(lat=59.9, lon=5.5),
            other_end=Coordinates(lat=60.1, lon=5.5), ferry_minutes=25,
        )  # fmt: skip
        line = (Coordinates(lat=60.0, lon=5.0), Coordinates(lat=60.0, lon=6.0))
        fjord = Barrier(name="fjord", line=line, crossings=(ferry,))
        assert estimated_travel(session) == StraightLineTravel(barriers=(fjord,))


@pytest.mark.parametrize(
    ("file", "good", "bad", "flaw"),
    [
        ("clients.csv", "contact_name,", "contact,", " line 1: there is no column 'contact'"),
        ("clients.csv", "id,name", "id,nom", " line 1: column 'name' is missing"),
        ("clients.csv", '"Quay, Cafés"', "Quay, Cafés", " line 2: has 6 cells instead of 5"),
        ("contracts.csv", "danger=120", "danger", " line 2, response_minutes: write pairs"),
        ("contracts.csv", "danger=120", "dire=120", " line 2, response_minutes: Input"),
        ("contracts.csv", ",NO,", ",XX,", " line 2, holiday_country: no public holidays"),
        ("contracts.csv", "k1,c1", "k1,c7", " line 2, client_id: 'c7' is not in clients.csv"),
        ("sites.csv", "60.39", "160.39", " line 2, lat: Input should be less than or equal to 90"),
        ("sites.csv", "Europe/Oslo", "Europe/Olso", " line 2, zone: "),
        ("sites.csv", "Mo-Su 07:00", "Mo-Sun 07:00", " line 2, opening_hours: cannot read"),
        ("sites.csv", "2027-08-15", "2027-07-15", " line 2, closures: the last day"),
        ("sites.csv", "2027-08-15", "9999-12-31", " line 2, closures: write a day from 1950"),
        ("technicians.csv", "espresso", "expresso", " line 2, skills: 'expresso' is not"),
        ("technicians.csv", "11:00", "14:00", " line 2, the whole line: break_earliest"),
        ("absences.csv", "22:00:00Z,2027-04-09", "22:00:00,2027-04-09", " line 2, starts_at"),
        ("absences.csv", "2027-04-09", "9999-12-31", " line 2, ends_at: write a day from 1950"),
        ("machines.csv", "E2", "E1", " line 3, tag: 'E1' stands on line 2 already"),
        ("machines.csv", "m2,", "m1,", " line 3, id: 'm1' stands on line 2 already"),
        ("machines.csv", "separate_boilers", "", " line 2, the whole line: an espresso"),
        ("machines.csv", "2024-05-02", "2.5.2024", " line 2, installed_on: "),
        ("fitted_parts.csv", "group_gasket", "gusket", " line 2, part_type: 'gusket' is not"),
        ("fitted_parts.csv", ",planned", ",", " line 2, the whole line: removed_on and"),
        ("work_done.csv", "p2", "p9", " line 2, fitted_part_id: 'p9' is not in fitted_p"),
        ("work_done.csv", "m1", "m2", " line 2, fitted_part_id: part 'p2' is fitted in an"),
        ("fitted_parts.csv", "2025-06-01,pl", "2023-06-01,pl",
         " line 2, the whole line: removed_on 2023-06-01 is before fitted_on 2024-05-02"),
        ("meter_readings.csv", "1200", "-1", " line 2, value: Input should be greater"),
        ("meter_readings.csv", "1200", "1200000000",
         " line 2, value: brew_cycles can be 63072000 at most after forty years"),
        ("meter_readings.csv", "brew_cycles", "bar", " line 2, counter: Input should be"),
        ("meter_readings.csv", "Z\n", "Z\nr2,m1,brew_cycles,9,2026-06-01T11:00:00+02:00\n",
         " line 3, taken_at: brew_cycles of machine 'm1' was read at that instant on line 2"),
        ("company.toml", '"NOK"', "NOK", ": Invalid value"),
        ("barriers.toml", "from", "form", ": barrier 'fjord' cannot be read: it needs a name"),
        ("sites.csv", "60.39", "nan", " line 2, lat: Input should be a finite number"),
        ("sites.csv", "5.32", "-181", " line 2, lon: Input should be greater than or equal to"),
        ("technicians.csv", "60.4", "inf", " line 2, lat: Input should be a finite number"),
    ],
)  # fmt: skip
def test_a_spoilt_file_is_named_with_line_and_column_and_nothing_is_stored(
    database: Database, load: Load, folder: Path, file: str, good: str, bad: str, flaw: str
) -> None:
    path = folder / file
    text = path.read_text(encoding="utf-8")
    assert good in text
    path.write_text(text.replace(good, bad), encoding="utf-8")

    with pytest.raises(InvalidCompany) as refusal:
        load(folder)

    assert f"{file}{flaw}" in str(refusal.value)
    with database.read() as session:
        assert session.exec(select(func.count()).select_from(ClientRow)).one() == 0


def test_every_wrong_line_of_every_file_is_listed(load: Load, folder: Path) -> None:
    (folder / "absences.csv").unlink()
    for file, good, bad in (("sites.csv", "60.39", "x"), ("machines.csv", "180", "-180")):
        path = folder / file
        path.write_text(path.read_text(encoding="utf-8").replace(good, bad), encoding="utf-8")
    with pytest.raises(InvalidCompany) as refusal:
        load(folder)
    assert [flaw.path for flaw in refusal.value.flaws] == [
        "sites.csv line 2, lat",
        "absences.csv",
        "machines.csv line 2, drinks_per_day",
    ]


_CERTIFICATES = (
    "id,machine_id,rule,certificate,competent_person,body,examined_on,result,valid_until,findings\n"
    "e1,m1,electrical_safety_test,NO-17,Ragna,Elkontrollen,2026-02-03,passed,2028-02-02,\n"
)


def test_certificates_are_loaded_where_there_are_any_and_records_of_them_stay(
    database: Database, load: Load, folder: Path
) -> None:
    assert load(folder)["examination"] == Loaded()
    file = folder / "examinations.csv"
    file.write_text(_CERTIFICATES, encoding="utf-8")
    assert load(folder)["examination"] == Loaded(added=1)
    file.write_text(_CERTIFICATES.replace("2028-02-02", "2029-02-02"), encoding="utf-8")
    assert load(folder)["examination"] == Loaded(unchanged=1)
    with database.read() as session:
        assert session.get_one(MachineRow, "m1").certified_until == date(2028, 2, 2)
        machine = machines_by_id(session, ["m1"], on=date(2027, 3, 1))["m1"]
    assert [(each.number, each.valid_until) for each in machine.certificates] == [
        ("NO-17", date(2028, 2, 2))
    ]


@pytest.mark.parametrize(
    ("good", "bad", "flaw"),
    [
        ("m1", "m9", " line 2, machine_id: 'm9' is not in machines.csv"),
        (
            "electrical_safety_test",
            "group_gasket_replace",
            " line 2, rule: 'group_gasket_replace' is not in the laws of the catalogue",
        ),
        ("2028-02-02", "2026-02-03", " line 2, the whole line: valid_until must come after"),
        ("passed", "failed", " line 2, the whole line: valid_until is what a passed"),
        ("2026-02-03,passed", "2027-03-02,passed", " line 2, examined_on: must not lie ahead"),
        (
            "electrical_safety_test",
            "pressure_vessel_examination",
            " line 2, rule: Statutory examination of the steam boiler is not asked for",
        ),
    ],
)
def test_a_spoilt_certificate_is_named_and_nothing_is_stored(
    database: Database, load: Load, folder: Path, good: str, bad: str, flaw: str
) -> None:
    text = _CERTIFICATES.replace(good, bad)
    (folder / "examinations.csv").write_text(text, encoding="utf-8")
    with pytest.raises(InvalidCompany) as refusal:
        load(folder)
    assert f"examinations.csv{flaw}" in str(refusal.value)
    with database.read() as session:
        assert session.exec(select(MachineRow)).all() == []
