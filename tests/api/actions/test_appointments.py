from datetime import UTC, date, datetime, timedelta

import pytest
from sqlmodel import select

from api.actions.appointments import change_state, move_by_hand
from api.actions.publishing import publish_plan
from api.actions.raise_due_work import raise_due_work
from api.actions.report_visit import PartReplaced, ReadCounter, VisitReport, report_work
from api.actions.take_callback import FaultReport, take_callback
from api.storage.database import Database
from api.storage.tables import (
    AppointmentRow,
    CallbackRow,
    DueTaskRow,
    FittedPartRow,
    MeterReadingRow,
    VisitRow,
    WorkDoneRow,
)
from scheduler.catalogue import Catalogue, Counter
from scheduler.errors import Absent, DoubleBooking, InvalidInput, MoveNotAllowed, StaleVersion
from scheduler.lifecycle import AppointmentState
from scheduler.machines import Outcome
from tests.api.actions.conftest import NOW, TESTER
from tests.api.actions.test_planning import drafted


@pytest.fixture
def booked(database: Database, catalogue: Catalogue) -> AppointmentRow:
    """An appointment whose visit replaces the group gasket of machine 1."""
    raise_due_work(database, catalogue, now=NOW, origin=TESTER)
    publish_plan(database, drafted(database).id, catalogue, now=NOW, origin=TESTER)
    with database.read() as session:
        task = session.exec(
            select(DueTaskRow).where(
                DueTaskRow.rule == "group_gasket_replace", DueTaskRow.machine_id == "ma-1"
            )
        ).one()
        return session.exec(
            select(AppointmentRow).where(AppointmentRow.visit_id == task.visit_id)
        ).one()


def begin(database: Database, catalogue: Catalogue, row: AppointmentRow) -> None:
    change_state(
        database, row.id, AppointmentState.UNDER_WAY, catalogue, now=row.starts_at, origin=TESTER
    )


def test_reported_work_becomes_history_and_a_replaced_part_begins_a_new_life(
    database: Database, catalogue: Catalogue, booked: AppointmentRow
) -> None:
    begin(database, catalogue, booked)
    report = VisitReport(
        counters=(ReadCounter(machine="ma-1", counter=Counter.DRINKS, value=123_456),),
        note="Steam wand stiff.",
    )

    done = report_work(
        database, booked.id, report, catalogue, now=booked.ends_at, origin=TESTER
    ).appointment

    on = booked.ends_at.date()
    with database.read() as session:
        parts = {
            row.fitted_on: row
            for row in session.exec(select(FittedPartRow))
            if "1" in row.machine_id
        }
        works = [
            row for row in session.exec(select(WorkDoneRow)) if row.rule == "group_gasket_replace"
        ]
        tasks = {
            row.state
            for row in session.exec(
                select(DueTaskRow).where(DueTaskRow.visit_id == booked.visit_id)
            )
        }
        reading = session.exec(select(MeterReadingRow)).one()
        visit = session.get_one(VisitRow, booked.visit_id)
    assert (done.state, visit.state, tasks) == ("done", "done", {"done"})
    old, new = parts[date(2026, 12, 1)], parts[on]
    assert (old.removed_on, old.removal) == (on, "planned")
    assert (new.part_type, new.position, new.removed_on) == ("group_gasket", "group 1", None)
    assert [(row.fitted_part_id, row.done_on, row.note) for row in works] == [
        ("pa-1", on, "Steam wand stiff.")
    ]
    assert (reading.counter, reading.value) == ("drinks", 123_456)


def test_work_done_is_not_due_again_the_same_night(
    database: Database, catalogue: Catalogue, booked: AppointmentRow
) -> None:
    begin(database, catalogue, booked)
    report_work(database, booked.id, VisitReport(), catalogue, now=booked.ends_at, origin=TESTER)

    raise_due_work(database, catalogue, now=booked.ends_at, origin=TESTER)

    with database.read() as session:
        due = session.exec(
            select(DueTaskRow).where(
                DueTaskRow.machine_id == "ma-1",
                DueTaskRow.rule == "group_gasket_replace",
                DueTaskRow.state == "open",
            )
        ).all()
    assert due == []


def test_a_task_not_done_is_planned_again(
    database: Database, catalogue: Catalogue, booked: AppointmentRow
) -> None:
    begin(database, catalogue, booked)
    report_work(
        database,
        booked.id,
        VisitReport(tasks_done=()),
        catalogue,
        now=booked.ends_at,
        origin=TESTER,
    )

    raise_due_work(database, catalogue, now=booked.ends_at, origin=TESTER)

    with database.read() as session:
        task = session.exec(
            select(DueTaskRow).where(
                DueTaskRow.machine_id == "ma-1", DueTaskRow.rule == "group_gasket_replace"
            )
        ).one()
        visit = session.get_one(VisitRow, task.visit_id)
        first = session.get_one(VisitRow, booked.visit_id)
    assert (task.state, visit.state, first.state) == ("open", "open", "done")
    assert visit.id != first.id


def test_a_part_that_failed_is_recorded_as_failed(
    database: Database, catalogue: Catalogue, booked: AppointmentRow
) -> None:
    begin(database, catalogue, booked)
    report = VisitReport(
        tasks_done=(), replaced=(PartReplaced(fitted_part="pa-1", outcome=Outcome.FAILURE),)
    )

    report_work(database, booked.id, report, catalogue, now=booked.ends_at, origin=TESTER)

    with database.read() as session:
        assert session.get_one(FittedPartRow, "pa-1").removal == "failure"


@pytest.mark.parametrize(
    ("report", "message"),
    [
        (VisitReport(tasks_done=("nothing",)), "tasks_done names tasks not of this visit: nothing"),
        (
            VisitReport(replaced=(PartReplaced(fitted_part="pa-2", outcome=Outcome.FOUND),)),
            "part pa-2 is not fitted at site si-1",
        ),
    ],
)
def test_a_report_about_something_else_is_refused_whole(
    database: Database,
    catalogue: Catalogue,
    booked: AppointmentRow,
    report: VisitReport,
    message: str,
) -> None:
    begin(database, catalogue, booked)
    with pytest.raises(InvalidInput, match=message):
        report_work(database, booked.id, report, catalogue, now=booked.ends_at, origin=TESTER)
    with database.read() as session:
        assert session.get_one(AppointmentRow, booked.id).state == "under_way"
        assert session.exec(select(WorkDoneRow)).all() == []


def test_nobody_there_opens_the_visit_again(
    database: Database, catalogue: Catalogue, booked: AppointmentRow
) -> None:
    begin(database, catalogue, booked)

    row = change_state(
        database, booked.id, AppointmentState.NO_ACCESS, catalogue, now=NOW, origin=TESTER
    )

    with database.read() as session:
        visit = session.get_one(VisitRow, booked.visit_id)
    assert (row.state, visit.state) == ("no_access", "open")


def test_what_is_done_cannot_be_cancelled(
    database: Database, catalogue: Catalogue, booked: AppointmentRow
) -> None:
    begin(database, catalogue, booked)
    report_work(database, booked.id, VisitReport(), catalogue, now=booked.ends_at, origin=TESTER)
    with pytest.raises(MoveNotAllowed):
        change_state(
            database, booked.id, AppointmentState.CANCELLED, catalogue, now=NOW, origin=TESTER
        )


def test_a_version_gone_by_is_refused(
    database: Database, catalogue: Catalogue, booked: AppointmentRow
) -> None:
    with pytest.raises(StaleVersion):
        change_state(
            database,
            booked.id,
            AppointmentState.PROMISED,
            catalogue,
            now=NOW,
            origin=TESTER,
            if_version=booked.version - 1,
        )


def test_another_technicians_appointment_is_not_there(
    database: Database, catalogue: Catalogue, booked: AppointmentRow
) -> None:
    other = "te-1" if booked.technician_id == "te-2" else "te-2"
    with pytest.raises(Absent):
        change_state(
            database,
            booked.id,
            AppointmentState.UNDER_WAY,
            catalogue,
            now=NOW,
            origin=TESTER,
            technician=other,
        )


def test_moving_by_hand_onto_another_appointment_is_refused(
    database: Database, catalogue: Catalogue, booked: AppointmentRow
) -> None:
    with database.read() as session:
        other = session.exec(select(AppointmentRow).where(AppointmentRow.id != booked.id)).first()
    assert other is not None
    with pytest.raises(DoubleBooking):
        move_by_hand(
            database,
            booked.id,
            other.technician_id,
            other.starts_at + timedelta(minutes=5),
            catalogue,
            now=NOW,
            origin=TESTER,
        )
    with database.read() as session:
        assert session.get_one(AppointmentRow, booked.id).starts_at == booked.starts_at


def test_moving_by_hand_to_another_century_is_a_slip_of_the_pen(
    database: Database, catalogue: Catalogue, booked: AppointmentRow
) -> None:
    far = datetime(2199, 12, 31, 23, 30, tzinfo=UTC)
    with pytest.raises(InvalidInput, match="within two years"):
        move_by_hand(
            database, booked.id, booked.technician_id, far, catalogue, now=NOW, origin=TESTER
        )


def test_moving_by_hand_raises_the_sequence_and_remembers_the_old_time(
    database: Database, catalogue: Catalogue, booked: AppointmentRow
) -> None:
    to = booked.starts_at + timedelta(days=7)
    row = move_by_hand(
        database, booked.id, booked.technician_id, to, catalogue, now=NOW, origin=TESTER
    )
    assert (row.starts_at, row.sequence, row.moved_from) == (to, 1, booked.starts_at)


def test_a_callback_is_done_when_its_visit_is(database: Database, catalogue: Catalogue) -> None:
    report = FaultReport(machine="E1", symptoms=("no_heat",))
    callback = take_callback(database, report, catalogue, now=NOW, origin=TESTER)
    publish_plan(database, drafted(database).id, catalogue, now=NOW, origin=TESTER)
    with database.read() as session:
        row = session.exec(
            select(AppointmentRow).where(AppointmentRow.visit_id == callback.visit_id)
        ).one()
    assert callback.respond_by is not None
    assert row.starts_at <= callback.respond_by

    begin(database, catalogue, row)
    report_work(database, row.id, VisitReport(), catalogue, now=row.ends_at, origin=TESTER)

    with database.read() as session:
        assert session.get_one(CallbackRow, callback.id).state == "done"
