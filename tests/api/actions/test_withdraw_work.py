from datetime import date, timedelta

import pytest
from sqlmodel import select

from api.actions.appointments import book_by_hand, change_state
from api.actions.company_fields import MachineFields
from api.actions.edit_records import replace_record
from api.actions.raise_due_work import raise_due_work
from api.actions.take_callback import FaultReport, take_callback
from api.actions.withdraw_work import cancel_callback
from api.storage.database import Database
from api.storage.open_work import publication
from api.storage.scope import EVERYTHING, Scope
from api.storage.tables import (
    AppointmentRow,
    CallbackRow,
    DueTaskRow,
    FeedDocumentRow,
    FeedKind,
    MachineRow,
    OutboxRow,
    VisitRow,
)
from scheduler.catalogue import BoilerLayout, Catalogue, Dosing, EquipmentKind
from scheduler.errors import Absent, Conflict, StaleVersion
from scheduler.lifecycle import AppointmentState
from tests.api.actions.conftest import NOW, TESTER, TODAY

AT_TEN = NOW + timedelta(hours=3, minutes=30)


def taken(database: Database, catalogue: Catalogue) -> CallbackRow:
    report = FaultReport(machine="E1", symptoms=("no_heat",))
    return take_callback(database, report, catalogue, now=NOW, origin=TESTER)


def book(database: Database, catalogue: Catalogue, visit: str | None) -> AppointmentRow:
    assert visit is not None
    return book_by_hand(database, visit, "te-1", AT_TEN, catalogue, now=NOW, origin=TESTER)


def withdrawn(
    database: Database, catalogue: Catalogue, callback: str, scope: Scope = EVERYTHING
) -> CallbackRow:
    return cancel_callback(
        database, callback, catalogue, now=NOW, origin=TESTER, scope=scope, if_version=1
    )


def retire(database: Database, catalogue: Catalogue, on: date = TODAY) -> None:
    fields = MachineFields(
        tag="E1", serial="S1", site_id="si-1", name="Two groups",
        kind=EquipmentKind.ESPRESSO_MACHINE, boiler_layout=BoilerLayout.SEPARATE_BOILERS,
        groups=2, dosing=Dosing.VOLUMETRIC, installed_on=date(2024, 3, 1), retired_on=on,
        drinks_per_day=250,
    )  # fmt: skip
    replace_record(
        database, MachineRow, "ma-1", fields, catalogue, if_version=1, now=NOW, origin=TESTER
    )


def states(database: Database, site: str = "si-1") -> dict[str, set[str]]:
    """Return in which states the work at a site is."""
    with database.read() as session:
        visits = session.exec(select(VisitRow).where(VisitRow.site_id == site)).all()
        ours = {visit.id for visit in visits}
        tasks = session.exec(select(DueTaskRow).where(DueTaskRow.site_id == site)).all()
        appointments = session.exec(select(AppointmentRow)).all()
        return {
            "visits": {visit.state for visit in visits},
            "tasks": {task.state for task in tasks},
            "appointments": {row.state for row in appointments if row.visit_id in ours},
        }


def calendar(database: Database) -> str:
    with database.read() as session:
        document = session.get_one(FeedDocumentRow, (FeedKind.TECHNICIAN, "te-1"))
        return document.body.decode()


def upkeep_visit(database: Database, site: str = "si-1") -> str:
    with database.read() as session:
        return session.exec(
            select(VisitRow.id).where(VisitRow.site_id == site, VisitRow.state == "open")
        ).one()


def test_a_withdrawn_callback_leaves_nothing_to_be_done(
    database: Database, catalogue: Catalogue
) -> None:
    callback = taken(database, catalogue)
    book(database, catalogue, callback.visit_id)
    assert "STATUS:CANCELLED" not in calendar(database)

    row = withdrawn(database, catalogue, callback.id)

    assert (row.state, row.version) == ("cancelled", 2)
    assert states(database) == {
        "visits": {"dropped"},
        "tasks": set(),
        "appointments": {"cancelled"},
    }
    assert "STATUS:CANCELLED" in calendar(database)
    with database.read() as session:
        topics = list(session.exec(select(OutboxRow.topic)))
    assert sorted(topics) == [
        "appointment.cancelled",
        "appointment.planned",
        "callback.cancelled",
        "callback.taken",
    ]


def test_a_draft_made_before_a_callback_was_withdrawn_is_outdated(
    database: Database, catalogue: Catalogue
) -> None:
    callback = taken(database, catalogue)
    with database.read() as session:
        revision = publication(session).revision

    withdrawn(database, catalogue, callback.id)

    with database.read() as session:
        assert publication(session).revision == revision + 1
    assert states(database)["visits"] == {"dropped"}


def test_a_callback_somebody_is_at_cannot_be_withdrawn(
    database: Database, catalogue: Catalogue
) -> None:
    callback = taken(database, catalogue)
    row = book(database, catalogue, callback.visit_id)
    change_state(database, row.id, AppointmentState.UNDER_WAY, catalogue, now=AT_TEN, origin=TESTER)
    with pytest.raises(Conflict, match="somebody is at callback"):
        withdrawn(database, catalogue, callback.id)
    assert states(database)["appointments"] == {"under_way"}


def test_a_callback_is_withdrawn_once_by_whom_it_belongs_to_and_as_last_read(
    database: Database, catalogue: Catalogue
) -> None:
    callback = taken(database, catalogue)
    with pytest.raises(Absent):
        withdrawn(database, catalogue, callback.id, Scope(client="cl-2"))
    with pytest.raises(StaleVersion):
        cancel_callback(
            database, callback.id, catalogue, now=NOW, origin=TESTER, scope=EVERYTHING, if_version=7
        )

    withdrawn(database, catalogue, callback.id, Scope(client="cl-1"))

    with pytest.raises(Conflict, match="is cancelled, not open"):
        cancel_callback(
            database, callback.id, catalogue, now=NOW, origin=TESTER, scope=EVERYTHING, if_version=2
        )


def test_nobody_goes_to_a_machine_that_was_retired(
    database: Database, catalogue: Catalogue
) -> None:
    raise_due_work(database, catalogue, now=NOW, origin=TESTER)
    book(database, catalogue, upkeep_visit(database))
    other_site = states(database, "si-2")

    retire(database, catalogue)

    gone = {"visits": {"dropped"}, "tasks": {"dropped"}, "appointments": {"cancelled"}}
    assert states(database) == gone
    assert "STATUS:CANCELLED" in calendar(database)
    assert states(database, "si-2") == other_site
    raise_due_work(database, catalogue, now=NOW, origin=TESTER)
    assert states(database) == gone


def test_a_callback_of_a_retired_machine_is_cancelled(
    database: Database, catalogue: Catalogue
) -> None:
    callback = taken(database, catalogue)
    book(database, catalogue, callback.visit_id)

    retire(database, catalogue)

    with database.read() as session:
        assert session.get_one(CallbackRow, callback.id).state == "cancelled"
    assert states(database)["appointments"] == {"cancelled"}


def test_a_visit_that_serves_another_machine_too_stays(
    database: Database, catalogue: Catalogue
) -> None:
    raise_due_work(database, catalogue, now=NOW, origin=TESTER)
    visit = upkeep_visit(database)
    book(database, catalogue, visit)
    with database.write() as session:
        first = session.get_one(MachineRow, "ma-1").model_dump()
        session.add(MachineRow(**{**first, "id": "ma-3", "tag": "E3"}))
        session.flush()
        session.add(
            DueTaskRow(
                id="of-ma-3", machine_id="ma-3", site_id="si-1", rule="group_gasket_replace",
                anchor=TODAY, earliest=TODAY, target=TODAY, latest=TODAY, hard=False,
                because="worn", visit_id=visit,
            )
        )  # fmt: skip

    retire(database, catalogue)

    assert states(database) == {
        "visits": {"booked"},
        "tasks": {"dropped", "open"},
        "appointments": {"planned"},
    }
    with database.read() as session:
        open_tasks = session.exec(select(DueTaskRow.id).where(DueTaskRow.visit_id == visit)).all()
    assert open_tasks == ["of-ma-3"]


def test_work_under_way_on_a_machine_being_retired_is_left_to_its_report(
    database: Database, catalogue: Catalogue
) -> None:
    raise_due_work(database, catalogue, now=NOW, origin=TESTER)
    row = book(database, catalogue, upkeep_visit(database))
    change_state(database, row.id, AppointmentState.UNDER_WAY, catalogue, now=AT_TEN, origin=TESTER)

    retire(database, catalogue)

    assert states(database) == {
        "visits": {"booked"},
        "tasks": {"open"},
        "appointments": {"under_way"},
    }


def test_a_machine_to_be_retired_is_served_until_then_and_dropped_that_night(
    database: Database, catalogue: Catalogue
) -> None:
    raise_due_work(database, catalogue, now=NOW, origin=TESTER)
    book(database, catalogue, upkeep_visit(database))

    retire(database, catalogue, on=TODAY + timedelta(days=1))
    assert states(database)["appointments"] == {"planned"}

    tomorrow = NOW + timedelta(days=1)
    raise_due_work(database, catalogue, now=tomorrow, origin=TESTER)
    assert states(database) == {
        "visits": {"dropped"},
        "tasks": {"dropped"},
        "appointments": {"cancelled"},
    }
