"""What a client is told of a callback from the report to the end, and what not."""

from datetime import timedelta

import pytest
from pydantic import ValidationError
from sqlmodel import col, select

from api.actions.appointments import book_by_hand, change_state
from api.actions.report_visit import VisitReport, report_work
from api.actions.take_callback import FaultReport, take_callback
from api.storage.audit import announce
from api.storage.database import Database
from api.storage.tables import OutboxRow
from scheduler.catalogue import Catalogue
from scheduler.lifecycle import AppointmentState
from tests.api.actions.conftest import NOW, TESTER


def test_a_callback_is_told_of_from_the_report_to_the_end(
    database: Database, catalogue: Catalogue
) -> None:
    report = FaultReport(machine="E1", symptoms=("no_heat",), text="Ask for Berthe, 06 12 34")
    callback = take_callback(database, report, catalogue, now=NOW, origin=TESTER)
    assert callback.visit_id is not None
    starts_at = NOW + timedelta(hours=3)
    booked = book_by_hand(
        database, callback.visit_id, "te-1", starts_at, catalogue, now=NOW, origin=TESTER
    )
    for state in (AppointmentState.PROMISED, AppointmentState.UNDER_WAY):
        change_state(database, booked.id, state, catalogue, now=starts_at, origin=TESTER)
    report_work(
        database,
        booked.id,
        VisitReport(note="Berthe says thank you"),
        catalogue,
        now=booked.ends_at,
        origin=TESTER,
    )

    with database.read() as session:
        events = session.exec(select(OutboxRow).order_by(col(OutboxRow.position))).all()
    assert [event.topic for event in events] == [
        "callback.taken",
        "appointment.planned",
        "appointment.promised",
        "appointment.under_way",
        "callback.done",
        "appointment.done",
        "worksheet.reported",
    ]
    assert {(event.client_id, event.payload["visit"]) for event in events} == {
        ("cl-1", callback.visit_id)
    }
    assert events[4].payload == {
        "visit": callback.visit_id,
        "site": "si-1",
        "callback": callback.id,
        "machine": "ma-1",
        "tag": "E1",
        "awaits_price": False,
        "state": "done",
        "urgency": "stopped",
        # reported at half past six: 240 minutes of the hours from eight on, 07:00 UTC
        "respond_by": "2027-03-22T11:00:00Z",
    }
    assert events[6].payload == {
        "visit": callback.visit_id,
        "site": "si-1",
        "appointment": booked.id,
        "tasks_done": 0,
        "tasks_left": 0,
        "parts_replaced": 0,
    }
    told = "".join(event.model_dump_json() for event in events)
    assert not any(word in told for word in ("Berthe", "06 12", "te-1", "Technician", "thank you"))


def test_nothing_is_told_that_nobody_has_described(database: Database) -> None:
    payload = {"visit": "v", "site": "s", "appointment": "a", "tasks_done": 0, "tasks_left": 0}
    with database.write() as session:
        with pytest.raises(KeyError):
            announce(session, now=NOW, topic="coffee.ready", client="cl-1", payload=payload)
        with pytest.raises(ValidationError, match="technician"):
            announce(
                session,
                now=NOW,
                topic="worksheet.reported",
                client="cl-1",
                payload={**payload, "parts_replaced": 0, "technician": "te-1"},
            )
