"""Drives learnt from: noted with visits, fitted at night, in use at once."""

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from sqlmodel import select

from api.actions.appointments import change_state
from api.actions.calibrate_travel import calibrate_travel
from api.actions.report_visit import VisitReport, report_work
from api.clock import NIGHTLY_JOBS
from api.storage.company_travel import company_travel
from api.storage.database import Database
from api.storage.stays import drivers_by_id, stays_since
from api.storage.tables import AppointmentRow, StayRow, TravelCalibrationRow, VisitRow
from scheduler.catalogue import Catalogue
from scheduler.drives import Stay
from scheduler.errors import InvalidInput
from scheduler.lifecycle import AppointmentState
from scheduler.places import Coordinates
from tests.api.actions.conftest import NOW, TESTER
from tests.api.actions.test_appointments import begin, booked

__all__ = ["booked"]  # a fixture

MINUTE = timedelta(minutes=1)
TOWN = Coordinates(lat=44.84, lon=-0.58)


def stays(database: Database) -> list[Stay]:
    with database.read() as session:
        return stays_since(session, NOW - timedelta(days=1))


def test_beginning_and_reporting_a_visit_note_when_somebody_was_there(
    database: Database, catalogue: Catalogue, booked: AppointmentRow
) -> None:
    begin(database, catalogue, booked)
    noted = stays(database)[0]
    assert noted == Stay(
        appointment=booked.id,
        technician=booked.technician_id,
        at=noted.at,
        planned_start=booked.starts_at,
        arrived_at=booked.starts_at,
    )
    end = booked.starts_at + 50 * MINUTE
    report_work(database, booked.id, VisitReport(), catalogue, now=end, origin=TESTER)
    assert stays(database) == [replace(noted, left_at=end)]


def test_what_the_technician_says_of_their_times_counts(
    database: Database, catalogue: Catalogue, booked: AppointmentRow
) -> None:
    begin(database, catalogue, booked)
    start = booked.starts_at
    said = VisitReport(
        set_out_at=start - 30 * MINUTE, arrived_at=start - 5 * MINUTE, left_at=start + 40 * MINUTE
    )
    now = start + 60 * MINUTE
    report_work(database, booked.id, said, catalogue, now=now, origin=TESTER)
    noted = stays(database)[0]
    assert (noted.set_out_at, noted.arrived_at, noted.left_at) == (
        said.set_out_at,
        said.arrived_at,
        said.left_at,
    )


@pytest.mark.parametrize(
    ("wrong", "message"),
    [
        ({"set_out_at": 5}, "set_out_at must not be after arrived_at"),
        ({"arrived_at": 45, "left_at": 40}, "arrived_at must not be after left_at"),
        ({"left_at": 61}, "left_at must not be after now"),
    ],
)
def test_times_out_of_order_are_refused_and_nothing_is_reported(
    database: Database,
    catalogue: Catalogue,
    booked: AppointmentRow,
    wrong: dict[str, int],
    message: str,
) -> None:
    begin(database, catalogue, booked)
    said = VisitReport(**{name: booked.starts_at + n * MINUTE for name, n in wrong.items()})
    now = booked.starts_at + 60 * MINUTE
    with pytest.raises(InvalidInput, match=message):
        report_work(database, booked.id, said, catalogue, now=now, origin=TESTER)
    with database.read() as session:
        assert session.get_one(VisitRow, booked.visit_id).state == "booked"


def test_a_visit_called_off_on_the_way_leaves_nothing(
    database: Database, catalogue: Catalogue, booked: AppointmentRow
) -> None:
    begin(database, catalogue, booked)
    change_state(
        database,
        booked.id,
        AppointmentState.CANCELLED,
        catalogue,
        now=booked.starts_at + MINUTE,
        origin=TESTER,
    )
    assert stays(database) == []


def drive_for_weeks(database: Database, appointment: AppointmentRow, *, factor: float) -> int:
    """Note two stays a day for ninety days, the drive between them ``factor`` times as long.

    4 minutes to park, not longer with the traffic; the drives are some 2 to 25 km by road.
    """
    random = np.random.default_rng(2)
    with database.write() as session:
        for day in range(90):
            degrees = float(random.uniform(0.014, 0.17))
            road_km = degrees * 111.195 * 1.3
            usual = min(road_km, 4) / 28 * 60 + max(min(road_km, 15) - 4, 0) / 45 * 60
            usual += max(road_km - 15, 0) / 70 * 60
            arrived = NOW - timedelta(days=90 - day)
            left = arrived + 60 * MINUTE
            again = left + (4 + usual * factor) * MINUTE
            places = ((TOWN.lat, arrived, left), (TOWN.lat + degrees, again, again + MINUTE))
            for number, (lat, came, went) in enumerate(places):
                twin = AppointmentRow(
                    id=f"past-{day}-{number}",
                    visit_id=appointment.visit_id,
                    technician_id=appointment.technician_id,
                    starts_at=came,
                    ends_at=went,
                    state="done",
                    created_at=came,
                    revised_at=went,
                )
                stay = StayRow(
                    appointment_id=twin.id,
                    technician_id=twin.technician_id,
                    lat=lat,
                    lon=TOWN.lon,
                    planned_start=came - 10 * MINUTE,
                    arrived_at=came,
                    left_at=went,
                )
                session.add_all([twin, stay])
    return 90


def test_recorded_drives_change_the_estimate_from_that_night_on(
    database: Database, booked: AppointmentRow
) -> None:
    def estimated() -> int:
        with database.read() as session:
            near = Coordinates(lat=44.84 + 10 / 1.3 / 111.195, lon=-0.58)
            return int(company_travel(session, ()).between([TOWN, near]).minutes[0, 1])

    # 10 km by road: 4 + 4 / 28 h + 6 / 45 h = 20.6, rounded up 21
    assert estimated() == 21
    drives = drive_for_weeks(database, booked, factor=1.5)
    row = calibrate_travel(database, now=NOW)
    assert row is not None
    assert (row.drives, row.odd_drives, row.by_ferry) == (drives, 0, 0)
    # half as long again but for parking is 28.9; drawn to the usual by 20 in 110 drives: 27.3
    assert estimated() in (27, 28, 29)
    assert row.error_minutes < row.usual_error_minutes
    assert [band["drives"] for band in row.bands][3] == 0


def test_a_night_without_drives_forgets_nothing_that_was_learnt(
    database: Database, booked: AppointmentRow
) -> None:
    assert calibrate_travel(database, now=NOW) is None
    drive_for_weeks(database, booked, factor=1.5)
    assert calibrate_travel(database, now=NOW) is not None
    a_year_on = NOW + timedelta(days=365)
    assert calibrate_travel(database, now=a_year_on) is None
    with database.read() as session:
        assert len(session.exec(select(TravelCalibrationRow)).all()) == 1
        assert session.exec(select(StayRow)).all() == []  # nobody needs to know any more


def test_the_nightly_job_calibrates(database: Database, booked: AppointmentRow) -> None:
    drive_for_weeks(database, booked, factor=0.8)
    job = next(job for job in NIGHTLY_JOBS if job.name == "calibrate travel")
    job.run(database, Catalogue.__new__(Catalogue), NOW)
    with database.read() as session:
        assert session.exec(select(TravelCalibrationRow)).one().made_at == NOW


def test_breaks_are_read_with_the_technicians(database: Database) -> None:
    with database.read() as session:
        ann = drivers_by_id(session)["te-1"]
    assert (ann.home, ann.break_minutes) == (Coordinates(lat=44.80, lon=-0.60), 30)
