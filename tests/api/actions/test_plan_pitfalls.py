"""What a plan must leave alone, and what must keep a draft from being published."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from sqlmodel import select

from api.actions.appointments import book_by_hand, change_state
from api.actions.plan_changes import ChangeKind, changes_of
from api.actions.planning import cancel_plan, claim_plan, request_plan
from api.actions.publishing import publish_plan
from api.actions.raise_due_work import raise_due_work
from api.actions.report_visit import VisitReport, report_work
from api.actions.solving import solve_plan
from api.storage.database import Database
from api.storage.due_work import DueWorkKeeper, SiteWork, waiting_work
from api.storage.tables import (
    AbsenceRow,
    AppointmentRow,
    DueTaskRow,
    OutboxRow,
    PlanRow,
    TechnicianRow,
    VisitRow,
)
from scheduler.catalogue import Catalogue
from scheduler.errors import PlanOutdated
from scheduler.lifecycle import AppointmentState
from scheduler.upkeep import DueTask
from tests.api.actions.conftest import NOW, TESTER, TODAY
from tests.api.actions.test_planning import REQUEST, drafted

TOMORROW = replace(REQUEST, first_day=TODAY + timedelta(days=1))


def visit_row(number: int, *, minutes: int = 60) -> VisitRow:
    return VisitRow(
        id=f"vi-{number}",
        site_id=f"si-{number}",
        kind="upkeep",
        window="access",
        minutes=minutes,
        skills=["espresso"],
        earliest=TODAY,
        target=TODAY,
        latest=TODAY + timedelta(days=60),
        headlines=["Work"],
        worksheet={
            "steps": [],
            "minutes": minutes,
            "minutes_p80": minutes,
            "machine_back_minutes": {},
            "needs_off": False,
            "skills": [],
            "parts": {},
            "tools": [],
            "cautions": [],
            "because": "",
        },
    )


@pytest.fixture
def with_visits(database: Database) -> Database:
    with database.write() as session:
        session.add_all([visit_row(1), visit_row(2)])
    return database


def booked(
    database: Database, catalogue: Catalogue, visit: str, technician: str, at: datetime
) -> AppointmentRow:
    return book_by_hand(database, visit, technician, at, catalogue, now=NOW, origin=TESTER)


def promise(database: Database, catalogue: Catalogue, row: AppointmentRow) -> None:
    change_state(database, row.id, AppointmentState.PROMISED, catalogue, now=NOW, origin=TESTER)


def kinds(database: Database, draft: PlanRow) -> dict[str, ChangeKind]:
    with database.read() as session:
        return {change.visit: change.kind for change in changes_of(session, draft)}


def test_a_plan_for_tomorrow_leaves_today_alone(
    with_visits: Database, catalogue: Catalogue
) -> None:
    this_afternoon = datetime(2027, 3, 22, 13, tzinfo=UTC)
    first = booked(with_visits, catalogue, "vi-1", "te-1", this_afternoon)
    promise(with_visits, catalogue, first)
    booked(with_visits, catalogue, "vi-2", "te-2", this_afternoon)

    draft = drafted(with_visits, TOMORROW)

    assert kinds(with_visits, draft) == {}
    assert draft.broken_promises == []


def test_a_promise_agreed_for_a_free_saturday_stays(
    with_visits: Database, catalogue: Catalogue
) -> None:
    with with_visits.write() as session:  # the other technician does work on Saturdays
        other = session.get_one(TechnicianRow, "te-2")
        other.working_hours = "Mo-Sa 08:00-16:30"
        session.add(other)
    saturday = datetime(2027, 3, 27, 9, tzinfo=UTC)
    row = booked(with_visits, catalogue, "vi-1", "te-1", saturday)
    promise(with_visits, catalogue, row)

    draft = drafted(with_visits, replace(REQUEST, days=7))

    assert "vi-1" not in kinds(with_visits, draft)
    assert draft.broken_promises == []


def test_nobody_is_sent_elsewhere_before_the_work_in_hand_can_be_over(
    with_visits: Database, catalogue: Catalogue
) -> None:
    # planned for 10:30 in Paris, begun at 08:15 already: taken until its planned end at 11:30
    row = booked(with_visits, catalogue, "vi-1", "te-1", datetime(2027, 3, 22, 9, 30, tzinfo=UTC))
    early = datetime(2027, 3, 22, 7, 15, tzinfo=UTC)
    change_state(
        with_visits, row.id, AppointmentState.UNDER_WAY, catalogue, now=early, origin=TESTER
    )
    with with_visits.write() as session:  # only the busy one can do the other visit
        other = session.get_one(TechnicianRow, "te-2")
        other.active = False
        session.add(other)

    request = replace(REQUEST, days=1)
    run = request_plan(with_visits, request, now=early, origin=TESTER)
    claim_plan(with_visits, holder="me", now=early)
    draft = solve_plan(with_visits, run.id, holder="me", clock=lambda: early)

    with with_visits.read() as session:
        (change,) = changes_of(session, draft)
    assert change.visit == "vi-2"
    assert change.after is not None
    assert change.after.starts_at >= datetime(2027, 3, 22, 10, 30, tzinfo=UTC)
    publish_plan(with_visits, draft.id, catalogue, now=early, origin=TESTER)


def test_a_visit_that_began_since_gets_no_second_appointment(
    with_visits: Database, catalogue: Catalogue
) -> None:
    publish_plan(with_visits, drafted(with_visits).id, catalogue, now=NOW, origin=TESTER)
    draft = drafted(with_visits)
    with with_visits.read() as session:
        row = session.exec(select(AppointmentRow).order_by(AppointmentRow.visit_id)).first()
    assert row is not None
    change_state(
        with_visits, row.id, AppointmentState.UNDER_WAY, catalogue, now=row.starts_at, origin=TESTER
    )

    # the draft leaves it where it is, so there is nothing to refuse
    publish_plan(with_visits, draft.id, catalogue, now=NOW, origin=TESTER)

    with with_visits.read() as session:
        rows = session.exec(
            select(AppointmentRow).where(AppointmentRow.visit_id == row.visit_id)
        ).all()
    assert [each.state for each in rows] == ["under_way"]


def test_a_draft_that_moves_what_has_begun_since_is_outdated(
    with_visits: Database, catalogue: Catalogue
) -> None:
    row = booked(with_visits, catalogue, "vi-1", "te-1", datetime(2027, 3, 25, 9, tzinfo=UTC))
    with with_visits.write() as session:  # its target is today, so the plan wants it sooner
        visit = session.get_one(VisitRow, "vi-1")
        visit.latest = TODAY
        session.add(visit)
    draft = drafted(with_visits)
    assert kinds(with_visits, draft)["vi-1"] in (ChangeKind.MOVED, ChangeKind.HANDED_OVER)
    change_state(
        with_visits, row.id, AppointmentState.UNDER_WAY, catalogue, now=row.starts_at, origin=TESTER
    )

    with pytest.raises(PlanOutdated):
        publish_plan(with_visits, draft.id, catalogue, now=NOW, origin=TESTER)


def test_a_promise_an_absence_breaks_is_no_promise_at_its_new_time(
    with_visits: Database, catalogue: Catalogue
) -> None:
    row = booked(with_visits, catalogue, "vi-1", "te-1", datetime(2027, 3, 23, 9, tzinfo=UTC))
    promise(with_visits, catalogue, row)
    for technician in ("te-1", "te-2"):
        with with_visits.write() as session:
            session.add(
                AbsenceRow(
                    id=f"ab-{technician}",
                    technician_id=technician,
                    starts_at=datetime(2027, 3, 22, 23, tzinfo=UTC),
                    ends_at=datetime(2027, 3, 23, 23, tzinfo=UTC),
                )
            )

    draft = drafted(with_visits)
    publish_plan(with_visits, draft.id, catalogue, now=NOW, origin=TESTER)

    with with_visits.read() as session:
        after = session.get_one(AppointmentRow, row.id)
        events = session.exec(select(OutboxRow)).all()
        topics = [event.topic for event in events if event.payload["visit"] == "vi-1"]
    assert draft.broken_promises == ["vi-1"]
    assert after.starts_at != row.starts_at
    assert after.state == "planned"
    assert "appointment.promise_broken" in topics


@pytest.fixture(params=["longer work", "an absence", "a lost skill"])
def spoilt(request: pytest.FixtureRequest, with_visits: Database) -> tuple[Database, str]:
    """Return a database and a draft that something has spoilt since it was made."""
    draft = drafted(with_visits)
    with with_visits.write() as session:
        match request.param:
            case "longer work":
                visit = session.get_one(VisitRow, "vi-1")
                visit.minutes = 240
                session.add(visit)
            case "an absence":
                for technician in ("te-1", "te-2"):
                    session.add(
                        AbsenceRow(
                            id=f"ab-{technician}",
                            technician_id=technician,
                            starts_at=NOW,
                            ends_at=NOW + timedelta(days=30),
                        )
                    )
            case "a lost skill":
                for person in session.exec(select(TechnicianRow)):
                    person.skills = ["grinder"]
                    session.add(person)
    return with_visits, draft.id


def test_a_draft_that_can_no_longer_be_kept_is_outdated(
    spoilt: tuple[Database, str], catalogue: Catalogue
) -> None:
    database, draft = spoilt
    with pytest.raises(PlanOutdated):
        publish_plan(database, draft, catalogue, now=NOW, origin=TESTER)
    with database.read() as session:
        assert session.exec(select(AppointmentRow)).all() == []


def test_a_run_cancelled_at_the_last_moment_is_cancelled(with_visits: Database) -> None:
    run = request_plan(with_visits, REQUEST, now=NOW, origin=TESTER)
    claim_plan(with_visits, holder="me", now=NOW)
    calls = 0

    def clock() -> datetime:
        nonlocal calls
        calls += 1
        if calls > 2:  # the search is over by now; only the outcome is still to be kept
            cancel_once(with_visits, run.id)
        return NOW

    done: set[str] = set()

    def cancel_once(database: Database, plan: str) -> None:
        if plan not in done:
            done.add(plan)
            cancel_plan(database, plan, now=NOW, origin=TESTER)

    solved = solve_plan(with_visits, run.id, holder="me", clock=clock)

    assert done
    assert (solved.state, solved.solution) == ("cancelled", None)


def test_work_published_while_it_is_raised_is_not_doubled(
    database: Database, catalogue: Catalogue
) -> None:
    raise_due_work(database, catalogue, now=NOW, origin=TESTER)
    with database.read() as session:
        looked = waiting_work(session, now=NOW)
        tasks = session.exec(select(DueTaskRow).where(DueTaskRow.site_id == "si-1")).all()
    publish_plan(database, drafted(database).id, catalogue, now=NOW, origin=TESTER)
    with database.read() as session:
        before = {row.id: row.visit_id for row in session.exec(select(DueTaskRow))}

    with database.write() as session:  # decided from the look before publishing
        keeper = DueWorkKeeper(session, looked, now=NOW)
        kept = keeper.keep(SiteWork(site="si-1", tasks=[_as_task(row) for row in tasks], visits=[]))
        keeper.drop_the_rest()

    with database.read() as session:
        after = {row.id: row.visit_id for row in session.exec(select(DueTaskRow))}
        booked_visits = session.exec(select(VisitRow.state)).all()
    assert kept is False
    assert after == before
    assert set(booked_visits) == {"booked"}


def _as_task(row: DueTaskRow) -> DueTask:
    return DueTask(
        id=row.id,
        machine=row.machine_id,
        site=row.site_id,
        rule=row.rule,
        fitted_part=row.fitted_part_id,
        anchor=row.anchor,
        earliest=row.earliest,
        target=row.target,
        latest=row.latest,
        hard=row.hard,
        because=row.because,
    )


def test_work_done_while_it_is_raised_is_not_opened_again(
    database: Database, catalogue: Catalogue
) -> None:
    raise_due_work(database, catalogue, now=NOW, origin=TESTER)
    publish_plan(database, drafted(database).id, catalogue, now=NOW, origin=TESTER)
    with database.read() as session:
        row = session.exec(select(AppointmentRow)).first()
    assert row is not None
    change_state(
        database, row.id, AppointmentState.UNDER_WAY, catalogue, now=row.starts_at, origin=TESTER
    )
    report_work(database, row.id, VisitReport(), catalogue, now=row.ends_at, origin=TESTER)

    raise_due_work(database, catalogue, now=row.ends_at, origin=TESTER)

    with database.read() as session:
        done = session.exec(select(DueTaskRow).where(DueTaskRow.visit_id == row.visit_id)).all()
        visit = session.get_one(VisitRow, row.visit_id)
    assert visit.state == "done"
    assert {task.state for task in done} == {"done"}
