import multiprocessing
import signal
from datetime import timedelta
from multiprocessing.connection import Connection
from pathlib import Path

import icalendar
import pytest
from sqlalchemy import event
from sqlmodel import Session, col, select

from api.actions.appointments import change_state
from api.actions.plan_changes import ChangeKind, changes_of
from api.actions.planning import PlanRequest
from api.actions.publishing import publish_plan
from api.actions.raise_due_work import raise_due_work
from api.storage.database import Database
from api.storage.tables import (
    AbsenceRow,
    AppointmentRow,
    AuditRow,
    ClientRow,
    FeedDocumentRow,
    FeedKind,
    OutboxRow,
    PlanRow,
    PublicationRow,
    VisitRow,
)
from scheduler.catalogue import Catalogue
from scheduler.errors import Conflict, PlanOutdated
from scheduler.lifecycle import AppointmentState
from seed_data.catalogue import load_catalogue
from tests.api.actions.conftest import NOW, TESTER, TODAY
from tests.api.actions.test_planning import drafted


@pytest.fixture
def draft(database: Database, catalogue: Catalogue) -> PlanRow:
    raise_due_work(database, catalogue, now=NOW, origin=TESTER)
    return drafted(database)


def appointments(database: Database) -> list[AppointmentRow]:
    with database.read() as session:
        return list(session.exec(select(AppointmentRow).order_by(col(AppointmentRow.visit_id))))


def calendar(database: Database, technician: str) -> dict[str, tuple[str, int, str]]:
    """Return UID -> (status, sequence, summary) as an independent reader sees the feed."""
    with database.read() as session:
        document = session.get(FeedDocumentRow, (FeedKind.TECHNICIAN, technician))
    if document is None:
        return {}
    events = icalendar.Calendar.from_ical(document.body).walk("VEVENT")
    return {
        str(event["UID"]): (str(event["STATUS"]), int(event["SEQUENCE"]), str(event["SUMMARY"]))
        for event in events
    }


def test_publishing_makes_appointments_calendars_events_and_a_trail(
    database: Database, catalogue: Catalogue, draft: PlanRow
) -> None:
    changes = publish_plan(database, draft.id, catalogue, now=NOW, origin=TESTER)

    rows = appointments(database)
    assert rows
    assert [change.kind for change in changes] == [ChangeKind.ADDED] * len(rows)
    assert {(row.state, row.sequence, row.plan_id) for row in rows} == {("planned", 0, draft.id)}
    with database.read() as session:
        booked = set(session.exec(select(VisitRow.id).where(VisitRow.state == "booked")))
        topics = sorted(session.exec(select(OutboxRow.topic)))
        trail = session.exec(select(AuditRow.verb).where(AuditRow.subject == f"plan/{draft.id}"))
        verbs = sorted(trail)
        revision = session.get_one(PublicationRow, 1).revision
    assert booked == {row.visit_id for row in rows}
    assert topics == ["appointment.planned"] * len(rows)
    assert verbs == ["publish", "request"]
    assert revision == 1
    for technician in {row.technician_id for row in rows}:
        mine = [row for row in rows if row.technician_id == technician]
        assert len(calendar(database, technician)) == len(mine)


def test_planning_again_changes_nothing_when_nothing_changed(
    database: Database, catalogue: Catalogue, draft: PlanRow
) -> None:
    publish_plan(database, draft.id, catalogue, now=NOW, origin=TESTER)
    before = appointments(database)

    again = drafted(database)
    with database.read() as session:
        kinds = {change.kind for change in changes_of(session, again)}
    publish_plan(database, again.id, catalogue, now=NOW, origin=TESTER)

    assert kinds == {ChangeKind.UNCHANGED}
    assert [row.model_dump() for row in appointments(database)] == [
        row.model_dump() for row in before
    ]


def test_a_draft_older_than_the_calendar_is_refused_and_changes_nothing(
    database: Database, catalogue: Catalogue, draft: PlanRow
) -> None:
    rival = drafted(database)
    publish_plan(database, rival.id, catalogue, now=NOW, origin=TESTER)
    before = appointments(database)

    with pytest.raises(Conflict):
        publish_plan(database, draft.id, catalogue, now=NOW, origin=TESTER)

    assert [row.model_dump() for row in appointments(database)] == [
        row.model_dump() for row in before
    ]


def test_a_promise_made_meanwhile_outdates_a_draft(
    database: Database, catalogue: Catalogue, draft: PlanRow
) -> None:
    publish_plan(database, draft.id, catalogue, now=NOW, origin=TESTER)
    later = drafted(database)
    promised = appointments(database)[0]
    change_state(
        database, promised.id, AppointmentState.PROMISED, catalogue, now=NOW, origin=TESTER
    )

    with pytest.raises(PlanOutdated, match="the published calendar has changed since"):
        publish_plan(database, later.id, catalogue, now=NOW, origin=TESTER)


def test_a_promise_stays_where_it_is_when_everything_else_is_planned_again(
    database: Database, catalogue: Catalogue, draft: PlanRow
) -> None:
    publish_plan(database, draft.id, catalogue, now=NOW, origin=TESTER)
    kept = appointments(database)[0]
    change_state(database, kept.id, AppointmentState.PROMISED, catalogue, now=NOW, origin=TESTER)

    again = drafted(database, PlanRequest(first_day=TODAY, days=5, iterations=200, seed=99))
    publish_plan(database, again.id, catalogue, now=NOW, origin=TESTER)

    with database.read() as session:
        after = session.get_one(AppointmentRow, kept.id)
    assert (after.state, after.technician_id, after.starts_at) == (
        "promised",
        kept.technician_id,
        kept.starts_at,
    )


def test_a_visit_that_changes_hands_is_cancelled_in_one_calendar_and_stands_in_the_other(
    database: Database, catalogue: Catalogue, draft: PlanRow
) -> None:
    publish_plan(database, draft.id, catalogue, now=NOW, origin=TESTER)
    row = appointments(database)[0]
    leaver = row.technician_id
    taker = "te-1" if leaver == "te-2" else "te-2"
    with database.write() as session:
        session.add(
            AbsenceRow(
                id="ab-1",
                technician_id=leaver,
                starts_at=NOW,
                ends_at=NOW + timedelta(days=30),
            )
        )

    again = drafted(database)
    publish_plan(database, again.id, catalogue, now=NOW, origin=TESTER)

    uid = f"{row.id}@steamround.invalid"
    left, taken = calendar(database, leaver)[uid], calendar(database, taker)[uid]
    assert (left[0], left[1], left[2].split(":")[0]) == ("CANCELLED", 1, "Handed over")
    assert (taken[0], taken[1]) == ("CONFIRMED", 1)


def test_a_visit_left_out_is_withdrawn_and_open_again(
    database: Database, catalogue: Catalogue, draft: PlanRow
) -> None:
    publish_plan(database, draft.id, catalogue, now=NOW, origin=TESTER)
    row = appointments(database)[0]
    with database.write() as session:
        visit = session.get_one(VisitRow, row.visit_id)
        visit.skills = ["a skill nobody has"]
        session.add(visit)

    again = drafted(database)
    publish_plan(database, again.id, catalogue, now=NOW, origin=TESTER)

    with database.read() as session:
        after = session.get_one(AppointmentRow, row.id)
        state = session.get_one(VisitRow, row.visit_id).state
    assert (after.state, after.sequence, state) == ("cancelled", 1, "open")
    uid = f"{row.id}@steamround.invalid"
    assert calendar(database, row.technician_id)[uid][:2] == ("CANCELLED", 1)


def _publish_and_pause(url: str, plan_id: str, moment: str, told: Connection) -> None:
    """Publish, and at the moment say how many appointments were written; then wait for the end."""
    written = 0

    def count(session: Session) -> None:
        nonlocal written
        written = len(session.exec(select(AppointmentRow.id)).all())

    def pause(_: Session) -> None:
        told.send(written)
        signal.pause()

    event.listen(Session, "before_commit", count)
    event.listen(Session, moment, pause)
    publish_plan(Database(url), plan_id, load_catalogue(), now=NOW, origin=TESTER)


@pytest.mark.parametrize(("moment", "revision"), [("before_commit", 0), ("after_commit", 1)])
def test_killing_the_process_while_it_publishes_leaves_the_old_plan_or_the_new(
    database: Database, tmp_path: Path, draft: PlanRow, moment: str, revision: int
) -> None:
    url = f"sqlite:///{tmp_path / 'steamround.sqlite'}"
    visits = len((draft.solution or {})["stops"])
    spawn = multiprocessing.get_context("spawn")
    hears, told = spawn.Pipe(duplex=False)
    process = spawn.Process(target=_publish_and_pause, args=(url, draft.id, moment, told))
    process.start()
    assert hears.poll(60)
    assert hears.recv() == visits  # all of them were written when it was killed
    process.kill()
    process.join()

    with database.read() as session:
        published = len(session.exec(select(AppointmentRow)).all())
        state = session.get_one(PlanRow, draft.id).state
        revised = session.get_one(PublicationRow, 1).revision
        events = len(session.exec(select(OutboxRow)).all())
    assert (published, state, revised, events) == (
        (visits, "published", 1, visits) if revision else (0, "draft", 0, 0)
    )
    with database.write() as session:  # and the next writer finds the door open
        session.add(ClientRow(id="x", name="after the crash"))
