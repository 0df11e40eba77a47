"""Plans know what lies in the vans: who sets out lacks no part, or calls at the workshop first."""

from collections.abc import Iterator
from datetime import timedelta

import pytest
from sqlmodel import select

from api.actions.appointments import change_state, move_by_hand
from api.actions.calendars import Feed
from api.actions.feed_links import create_feed_link
from api.actions.judge_slots import judge_slot
from api.actions.offering import ask
from api.actions.plan_changes import changes_of
from api.actions.planning import PlanRequest, claim_plan, request_plan
from api.actions.publishing import publish_plan
from api.actions.report_visit import VisitReport, report_work
from api.actions.solving import solve_plan
from api.actions.stock import count_stock, loads
from api.storage.database import Database
from api.storage.documents import unpack_problem, worksheet_to_json
from api.storage.rounds import rounds_between
from api.storage.stock import stock_at_hand, stores_beside
from api.storage.tables import (
    AppointmentRow,
    FeedDocumentRow,
    FeedKind,
    PlanRow,
    TechnicianRow,
    VisitRow,
)
from scheduler.catalogue import Catalogue
from scheduler.hand_moves import Breach
from scheduler.lifecycle import AppointmentState
from scheduler.routing.checker import check
from scheduler.routing.plan import Plan, plan_from_json
from scheduler.routing.problem import Problem
from scheduler.worksheet import Worksheet
from tests.api.actions.conftest import NOW, TESTER, TODAY, fill

GASKET, WAND = "group_gasket", "steam_wand"
REQUEST = PlanRequest(first_day=TODAY, days=5, iterations=200, seed=7)


@pytest.fixture
def anywhere(database_url: str) -> Iterator[Database]:
    database = Database(database_url)
    database.create_or_upgrade()
    fill(database)
    yield database
    database.close()


def add_visit(database: Database, name: str, *, day: int, **parts: int) -> None:
    """Store an open visit at the first site that can be made on one day only."""
    on = TODAY + timedelta(days=day)
    sheet = Worksheet(
        steps=(), minutes=60, minutes_p80=75, machine_back_minutes={}, needs_off=False,
        skills=frozenset({"espresso"}), parts=parts, tools=(), cautions=(), because="",
    )  # fmt: skip
    with database.write() as session:
        session.add(
            VisitRow(
                id=name, site_id="si-1", kind="statutory", window="access", minutes=60,
                skills=["espresso"], parts=parts, earliest=on, target=on, latest=on,
                hard_latest=on, headlines=["gaskets"], worksheet=worksheet_to_json(sheet),
            )
        )  # fmt: skip


def only_the_first_works(database: Database) -> None:
    with database.write() as session:
        session.get_one(TechnicianRow, "te-2").active = False


def counted(database: Database, catalogue: Catalogue, place: str, **pieces: int) -> None:
    count_stock(database, place, pieces, catalogue, now=NOW, origin=TESTER)


def drafted(database: Database) -> tuple[PlanRow, Problem, Plan]:
    row = request_plan(database, REQUEST, now=NOW, origin=TESTER)
    assert claim_plan(database, holder="me", now=NOW) == row.id
    row = solve_plan(database, row.id, holder="me", clock=lambda: NOW)
    assert (row.state, row.failure) == ("draft", None)
    assert row.problem is not None
    problem, plan = unpack_problem(row.problem), plan_from_json(row.solution)
    assert check(problem, plan) == ()
    return row, problem, plan


def appointments(database: Database) -> dict[str, AppointmentRow]:
    with database.read() as session:
        rows = session.exec(select(AppointmentRow).where(AppointmentRow.state != "cancelled"))
        return {row.visit_id: row for row in rows}


def published(database: Database, catalogue: Catalogue) -> dict[str, AppointmentRow]:
    row, _, _ = drafted(database)
    publish_plan(database, row.id, catalogue, now=NOW, origin=TESTER)
    return appointments(database)


def calendar(database: Database, technician: str) -> str:
    with database.read() as session:
        found = session.get_one(FeedDocumentRow, (FeedKind.TECHNICIAN, technician))
        return found.body.decode().replace("\r\n ", "").replace("\\n", "\n").replace("\\", "")


def breaches(database: Database, row: AppointmentRow) -> list[Breach]:
    with database.read() as session:
        return [broken.breach for broken in judge_slot(session, row)]


def test_one_call_loads_the_van_for_the_days_after_it(
    anywhere: Database, catalogue: Catalogue
) -> None:
    only_the_first_works(anywhere)
    mine = Feed(FeedKind.TECHNICIAN, "te-1")
    create_feed_link(anywhere, mine, "telephone", catalogue, now=NOW, origin=TESTER)
    add_visit(anywhere, "today", day=0, group_gasket=1)
    add_visit(anywhere, "next", day=1, group_gasket=2)
    add_visit(anywhere, "then", day=2, group_gasket=1)
    counted(anywhere, catalogue, "te-1", group_gasket=1, steam_wand=1)

    draft, problem, plan = drafted(anywhere)
    # One gasket lies in the van, for today. The three others are fetched at once; a call costs the
    # same on both days, and the earlier one is taken. From then on nothing can run short.
    assert [call.before for call in plan.calls] == ["today"]
    assert [shift.parts for shift in problem.shifts] == [{GASKET: 1}, *[{GASKET: 4}] * 4]
    with anywhere.read() as session:
        ways = {change.visit: change.way for change in changes_of(session, draft)}
    publish_plan(anywhere, draft.id, catalogue, now=NOW, origin=TESTER)
    made = appointments(anywhere)

    fetched = {"next": {GASKET: 2}, "then": {GASKET: 1}}
    first = made["today"]
    assert (first.call_minutes, first.fetch) == (15, fetched)
    assert (ways["today"].call_minutes, ways["today"].fetch) == (15, fetched)
    assert {(made[day].call_minutes, str(made[day].fetch)) for day in ("next", "then")} == {
        (None, "{}")
    }
    # home to the workshop and on to the café, without the call; the shift begins at 08:00
    assert first.starts_at == NOW.replace(hour=7, minute=0) + timedelta(
        minutes=15 + first.travel_minutes
    )
    told = calendar(anywhere, "te-1")
    assert (
        f"Call at the workshop on the way (15 min), drive of about {first.travel_minutes} min: "
        "leave by 08:00." in told
    )
    assert "Fetch at the workshop\n2 × Group gasket (for Café 1)\n1 × Group gasket (for" in told
    with anywhere.read() as session:
        (day_round,) = rounds_between(session, NOW, NOW + timedelta(hours=12))
    assert day_round.stops[0].way == f"{first.travel_minutes} min + workshop 15 min"

    # on the way to the first visit the three gaskets come into the van, and there one is used
    start = first.starts_at
    change_state(
        anywhere, first.id, AppointmentState.UNDER_WAY, catalogue, now=start, origin=TESTER
    )
    with anywhere.read() as session:
        assert stock_at_hand(session)["te-1"] == {GASKET: 4, WAND: 1}
    report = VisitReport()
    report_work(anywhere, first.id, report, catalogue, now=first.ends_at, origin=TESTER)
    with anywhere.read() as session:
        assert stock_at_hand(session)["te-1"] == {GASKET: 3, WAND: 1}


def test_nobody_counted_means_not_known_and_forbids_nothing(
    database: Database, catalogue: Catalogue
) -> None:
    only_the_first_works(database)
    add_visit(database, "today", day=0, group_gasket=1)
    counted(database, catalogue, "workshop", steam_wand=1)

    _, problem, plan = drafted(database)

    assert not problem.has_supplies()
    assert [stop.visit for stop in plan.stops] == ["today"]


def test_whoever_has_the_part_is_sent(database: Database, catalogue: Catalogue) -> None:
    add_visit(database, "today", day=0, group_gasket=1)
    nearer = published(database, catalogue)["today"].technician_id
    farther = {"te-1": "te-2", "te-2": "te-1"}[nearer]
    counted(database, catalogue, nearer, steam_wand=1)
    counted(database, catalogue, farther, group_gasket=1)
    # the workshop has none left, so that nobody can fetch it there
    counted(database, catalogue, "workshop", steam_wand=1)

    made = published(database, catalogue)["today"]

    assert (made.technician_id, made.call_minutes, made.fetch) == (farther, None, {})


def test_what_nobody_has_is_planned_and_told_as_a_shortage(
    database: Database, catalogue: Catalogue
) -> None:
    add_visit(database, "today", day=0, group_gasket=1)
    for place in ("te-1", "te-2", "workshop"):
        counted(database, catalogue, place, steam_wand=1)

    made = published(database, catalogue)["today"]

    assert (made.call_minutes, made.fetch) == (None, {})
    with database.read() as session:
        (trip,) = loads(session, catalogue, first_day=TODAY, days=1).trips
    assert [load.short for load in trip.loads] == [1]


def test_a_part_that_cannot_run_short_does_not_enter(
    database: Database, catalogue: Catalogue
) -> None:
    add_visit(database, "today", day=0, group_gasket=1)
    add_visit(database, "next", day=1, group_gasket=2)
    for van in ("te-1", "te-2"):
        counted(database, catalogue, van, group_gasket=3)

    _, problem, _ = drafted(database)

    assert not problem.has_supplies()
    assert all(shift.workshop is None for shift in problem.shifts)


def test_a_morning_at_the_workshop_loads_the_van(database: Database, catalogue: Catalogue) -> None:
    only_the_first_works(database)
    with database.write() as session:
        session.get_one(TechnicianRow, "te-1").workshop_days = ["Tu"]
    add_visit(database, "next", day=1, group_gasket=2)
    add_visit(database, "then", day=2, group_gasket=1)
    counted(database, catalogue, "te-1", steam_wand=1)

    made = published(database, catalogue)

    assert (made["next"].call_minutes, made["next"].fetch) == (
        None,
        {"next": {GASKET: 2}, "then": {GASKET: 1}},
    )
    assert (made["then"].call_minutes, made["then"].fetch) == (None, {})


def test_a_promise_stands_and_its_parts_are_fetched(
    database: Database, catalogue: Catalogue
) -> None:
    only_the_first_works(database)
    add_visit(database, "next", day=1, group_gasket=1)
    row = published(database, catalogue)["next"]
    change_state(database, row.id, AppointmentState.PROMISED, catalogue, now=NOW, origin=TESTER)
    counted(database, catalogue, "te-1", steam_wand=1)
    add_visit(database, "today", day=0, group_gasket=1)

    made = published(database, catalogue)

    assert (made["next"].state, made["next"].starts_at) == ("promised", row.starts_at)
    assert made["today"].fetch == {"today": {GASKET: 1}, "next": {GASKET: 1}}


def test_a_hand_move_that_leaves_the_van_without_a_part_is_told(
    database: Database, catalogue: Catalogue
) -> None:
    only_the_first_works(database)
    add_visit(database, "today", day=0, group_gasket=1)
    add_visit(database, "next", day=1, group_gasket=1)
    counted(database, catalogue, "te-1", steam_wand=1)
    made = published(database, catalogue)
    first, second = made["today"], made["next"]
    assert first.fetch == {"today": {GASKET: 1}, "next": {GASKET: 1}}
    assert breaches(database, first) == breaches(database, second) == []

    # Called off, it hands its call to nobody: nothing comes after it that day.
    change_state(database, first.id, AppointmentState.CANCELLED, catalogue, now=NOW, origin=TESTER)
    moved = move_by_hand(
        database, second.id, "te-1", second.starts_at + timedelta(hours=1), catalogue,
        now=NOW, origin=TESTER,
    )  # fmt: skip
    assert breaches(database, moved) == [Breach.PARTS_MISSING]

    # the next plan makes the other visit after all, and fetches for both on the way there
    made = published(database, catalogue)
    assert made["today"].fetch == {"today": {GASKET: 1}, "next": {GASKET: 1}}
    assert breaches(database, made["next"]) == []


def test_the_next_of_the_round_takes_the_call_over(
    database: Database, catalogue: Catalogue
) -> None:
    only_the_first_works(database)
    add_visit(database, "one", day=0, group_gasket=1)
    add_visit(database, "two", day=0, group_gasket=1)
    counted(database, catalogue, "te-1", steam_wand=1)
    made = published(database, catalogue)
    first, second = sorted(made.values(), key=lambda row: row.starts_at)
    assert first.fetch == {name: {GASKET: 1} for name in made}

    change_state(database, first.id, AppointmentState.CANCELLED, catalogue, now=NOW, origin=TESTER)

    second = appointments(database)[second.visit_id]
    assert (second.call_minutes, second.fetch) == (15, {second.visit_id: {GASKET: 1}})


def test_a_count_has_seen_what_was_booked_before_it(
    database: Database, catalogue: Catalogue
) -> None:
    add_visit(database, "past", day=0, group_gasket=1)
    start = NOW - timedelta(days=1)
    with database.write() as session:
        session.add(
            AppointmentRow(
                id="ap-1", visit_id="past", technician_id="te-1", starts_at=start,
                ends_at=start + timedelta(hours=1), created_at=start, revised_at=start,
                fetch={"past": {GASKET: 2}},
            )
        )  # fmt: skip
    for place, days in (("te-2", 7), ("te-1", 0), ("workshop", 0)):
        now = NOW - timedelta(days=days)
        count_stock(database, place, {GASKET: 5}, catalogue, now=now, origin=TESTER)

    with database.read() as session:
        stores = stores_beside(session, (), end=NOW + timedelta(days=1))

    assert stores is not None
    assert stores.in_vans == {"te-1": {GASKET: 5}, "te-2": {GASKET: 5}}
    assert stores.in_workshop == {GASKET: 5}


def test_all_searches_of_a_plan_are_told_of_as_one(
    database: Database, catalogue: Catalogue
) -> None:
    add_visit(database, "today", day=0, group_gasket=1)
    for van in ("te-1", "te-2"):
        counted(database, catalogue, van, steam_wand=1)
    row = request_plan(database, REQUEST, now=NOW, origin=TESTER)
    claim_plan(database, holder="me", now=NOW)
    told: list[float] = []

    row = solve_plan(
        database, row.id, holder="me", clock=lambda: NOW,
        listen=lambda share, cost: told.append(share),
    )  # fmt: skip

    assert plan_from_json(row.solution).calls != ()
    assert told == sorted(told)
    assert told[-1] == 1.0


def test_offers_leave_time_for_the_call(database: Database, catalogue: Catalogue) -> None:
    only_the_first_works(database)
    add_visit(database, "today", day=0, group_gasket=1)
    counted(database, catalogue, "te-1", steam_wand=1)
    published(database, catalogue)
    add_visit(database, "other", day=0)
    with database.read() as session:
        asked = ask(session, session.get_one(VisitRow, "other"), now=NOW)
    (call,) = asked.question.plan.calls
    problem = asked.question.problem
    (shift,) = (shift for shift in problem.shifts if shift.id == call.shift)

    assert call.before == "today"
    assert shift.workshop is not None
    assert shift.workshop.minutes == 15
