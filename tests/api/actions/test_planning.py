from dataclasses import replace
from datetime import timedelta

import pytest
from sqlmodel import col, select

from api.actions.plan_changes import ChangeKind, changes_of
from api.actions.planning import (
    LEASE,
    PlanRequest,
    cancel_plan,
    claim_plan,
    request_plan,
)
from api.actions.publishing import publish_plan
from api.actions.raise_due_work import raise_due_work
from api.actions.solving import assemble_plan, solve_plan
from api.storage.database import Database
from api.storage.documents import unpack_problem
from api.storage.tables import AbsenceRow, AppointmentRow, PlanRow, TechnicianRow, VisitRow
from scheduler.catalogue import Catalogue
from scheduler.errors import Absent, Conflict, InvalidInput
from scheduler.routing.bound import lower_bound
from scheduler.routing.checker import check
from scheduler.routing.plan import plan_from_json
from tests.api.actions.conftest import NOW, TESTER, TODAY

REQUEST = PlanRequest(first_day=TODAY, days=5, iterations=300, seed=7)


def drafted(database: Database, request: PlanRequest = REQUEST) -> PlanRow:
    row = request_plan(database, request, now=NOW, origin=TESTER)
    assert claim_plan(database, holder="me", now=NOW) == row.id
    return solve_plan(database, row.id, holder="me", clock=lambda: NOW)


def test_a_plan_becomes_a_draft_that_keeps_every_rule(
    database: Database, catalogue: Catalogue
) -> None:
    raise_due_work(database, catalogue, now=NOW, origin=TESTER)

    draft = drafted(database)

    assert (draft.state, draft.failure, draft.progress) == ("draft", None, 1.0)
    assert draft.problem is not None
    problem, plan = unpack_problem(draft.problem), plan_from_json(draft.solution)
    assert check(problem, plan) == ()
    assert draft.lower_bound == lower_bound(problem)
    assert 0 < draft.lower_bound <= plan.cost.total
    with database.read() as session:
        open_visits = set(session.exec(select(VisitRow.id).where(VisitRow.state == "open")))
    assert open_visits
    assert {visit.id for visit in problem.visits} == open_visits
    assert {stop.visit for stop in plan.stops} == open_visits


def test_one_seed_and_one_bound_give_one_plan(database: Database, catalogue: Catalogue) -> None:
    raise_due_work(database, catalogue, now=NOW, origin=TESTER)

    first, second = drafted(database), drafted(database)

    assert first.solution == second.solution
    assert first.problem == second.problem


def test_a_run_is_claimed_once_and_again_when_its_solver_has_died(database: Database) -> None:
    row = request_plan(database, REQUEST, now=NOW, origin=TESTER)

    assert claim_plan(database, holder="first", now=NOW) == row.id
    assert claim_plan(database, holder="second", now=NOW) is None
    later = NOW + LEASE + timedelta(seconds=1)
    assert claim_plan(database, holder="second", now=later) == row.id


def test_the_outcome_of_a_solver_that_was_given_up_is_dropped(
    database: Database, catalogue: Catalogue
) -> None:
    row = request_plan(database, REQUEST, now=NOW, origin=TESTER)
    claim_plan(database, holder="slow", now=NOW)
    claim_plan(database, holder="quick", now=NOW + LEASE + timedelta(seconds=1))

    late = solve_plan(database, row.id, holder="slow", clock=lambda: NOW)

    assert (late.state, late.holder, late.solution) == ("solving", "quick", None)


def test_a_waiting_run_can_be_cancelled_and_only_once(database: Database) -> None:
    row = request_plan(database, REQUEST, now=NOW, origin=TESTER)

    assert cancel_plan(database, row.id, now=NOW, origin=TESTER).state == "cancelled"
    assert claim_plan(database, holder="me", now=NOW) is None
    with pytest.raises(Conflict, match="is cancelled"):
        cancel_plan(database, row.id, now=NOW, origin=TESTER)


def test_a_running_search_stops_when_it_is_cancelled(
    database: Database, catalogue: Catalogue
) -> None:
    raise_due_work(database, catalogue, now=NOW, origin=TESTER)
    endless = PlanRequest(first_day=TODAY, days=5, seconds=600)
    row = request_plan(database, endless, now=NOW, origin=TESTER)
    claim_plan(database, holder="me", now=NOW)
    cancel_plan(database, row.id, now=NOW, origin=TESTER)

    solved = solve_plan(database, row.id, holder="me", clock=lambda: NOW)

    assert (solved.state, solved.solution) == ("cancelled", None)


def test_nobody_at_work_is_a_failure_with_its_reason(database: Database) -> None:
    with database.write() as session:
        for person in session.exec(select(TechnicianRow)):
            session.add(
                AbsenceRow(
                    id=f"ab-{person.id}",
                    technician_id=person.id,
                    starts_at=NOW,
                    ends_at=NOW + timedelta(days=90),
                )
            )
    row = request_plan(database, REQUEST, now=NOW, origin=TESTER)
    claim_plan(database, holder="me", now=NOW)

    with pytest.raises(Exception, match="nobody works"):
        solve_plan(database, row.id, holder="me", clock=lambda: NOW)

    with database.read() as session:
        failed = session.get_one(PlanRow, row.id)
    assert failed.state == "failed"
    assert failed.failure == (
        "NobodyWorks: nobody works within two months from 2027-03-22: check shifts and absences"
    )


def test_a_public_holiday_is_no_working_day(database: Database) -> None:
    # 29 March 2027 is Easter Monday in France, so ten working days from Monday 22 March end on
    # Monday 5 April: 22-26, 30, 31, 1, 2, 5
    assembly = assemble_plan(database, PlanRequest(first_day=TODAY, days=10), now=NOW)

    days = sorted({day.isoformat() for day in assembly.shift_days.values()})
    assert days == [
        *(f"2027-03-{day}" for day in (22, 23, 24, 25, 26, 30, 31)),
        *(f"2027-04-0{day}" for day in (1, 2, 5)),
    ]


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"days": 0}, "days must be from 1 to 60, got 0"),
        ({"seconds": 0.0}, "seconds must be above 0 and at most 3600, got 0.0"),
        ({"seconds": 5.0, "iterations": 5}, "give seconds or iterations, not both"),
    ],
)
def test_an_impossible_request_is_refused(arguments: dict[str, float], message: str) -> None:
    with pytest.raises(InvalidInput, match=message):
        PlanRequest(first_day=TODAY, **arguments)  # type: ignore[arg-type]


def test_a_day_gone_by_is_not_planned(database: Database) -> None:
    yesterday = PlanRequest(first_day=TODAY - timedelta(days=1))
    with pytest.raises(InvalidInput, match="first_day must be today"):
        request_plan(database, yesterday, now=NOW, origin=TESTER)


def test_cancelling_what_is_not_there_says_so(database: Database) -> None:
    with pytest.raises(Absent, match="there is no plan 'pl_none'"):
        cancel_plan(database, "pl_none", now=NOW, origin=TESTER)


def test_a_solver_told_to_stop_gives_the_run_back_and_another_takes_it_at_once(
    database: Database, catalogue: Catalogue
) -> None:
    raise_due_work(database, catalogue, now=NOW, origin=TESTER)
    patient = PlanRequest(first_day=TODAY, days=5, iterations=1_000_000_000)
    row = request_plan(database, patient, now=NOW, origin=TESTER)
    claim_plan(database, holder="first", now=NOW)

    back = solve_plan(database, row.id, holder="first", clock=lambda: NOW, should_stop=lambda: True)

    assert (back.state, back.holder, back.lease_until, back.finished_at) == (
        "queued",
        None,
        None,
        None,
    )
    assert (back.progress, back.solution) == (0.0, None)
    assert claim_plan(database, holder="second", now=NOW) == row.id


def test_a_repair_after_an_absence_moves_the_absent_persons_visits_only(
    database: Database, catalogue: Catalogue
) -> None:
    raise_due_work(database, catalogue, now=NOW, origin=TESTER)
    draft = drafted(database)
    publish_plan(database, draft.id, catalogue, now=NOW, origin=TESTER)
    with database.write() as session:
        first = session.exec(select(AppointmentRow).order_by(col(AppointmentRow.starts_at))).first()
        assert first is not None
        session.add(
            AbsenceRow(
                id="ab-1",
                technician_id=first.technician_id,
                starts_at=first.starts_at - timedelta(hours=4),
                ends_at=first.starts_at + timedelta(hours=12),
            )
        )

    repaired = drafted(database, replace(REQUEST, seed=8, repairs=True))

    assert (repaired.state, repaired.repairs) == ("draft", True)
    with database.read() as session:
        changes = changes_of(session, repaired)
    moved = {change for change in changes if change.kind is not ChangeKind.UNCHANGED}
    assert moved
    assert {
        (change.before.technician, change.before.starts_at.date())
        for change in moved
        if change.before is not None
    } == {(first.technician_id, first.starts_at.date())}
