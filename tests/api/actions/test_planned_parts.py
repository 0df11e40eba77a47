"""Plans know what lies in the vans: who sets out lacks no part, or calls at the workshop first."""

from collections.abc import Iterator
from datetime import timedelta

import pytest

from api.actions.appointments import book_by_hand, change_state
from api.actions.calendars import Feed
from api.actions.feed_links import create_feed_link
from api.actions.judge_slots import judge_slot
from api.actions.offering import ask
from api.actions.plan_changes import changes_of
from api.actions.planning import claim_plan, request_plan
from api.actions.publishing import publish_plan
from api.actions.report_visit import VisitReport, report_work
from api.actions.solving import solve_plan
from api.actions.stock import count_stock, loads
from api.storage.database import Database
from api.storage.rounds import rounds_between
from api.storage.stock import stock_at_hand, stores_beside
from api.storage.tables import AppointmentRow, FeedKind, TechnicianRow, VisitRow
from scheduler.catalogue import Catalogue
from scheduler.lifecycle import AppointmentState
from scheduler.routing.plan import plan_from_json
from tests.api.actions.conftest import NOW, TESTER, TODAY, fill
from tests.api.actions.counted_vans import (
    GASKET,
    REQUEST,
    WAND,
    add_visit,
    appointments,
    calendar,
    counted,
    drafted,
    only_the_first_works,
    published,
)


@pytest.fixture
def anywhere(database_url: str) -> Iterator[Database]:
    database = Database(database_url)
    database.create_or_upgrade()
    fill(database)
    yield database
    database.close()


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

    draft, problem, plan = drafted(anywhere, catalogue)
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
    assert "Fetch at the workshop\n3 × Group gasket (for Café 1)\n\n" in told
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

    _, problem, plan = drafted(database, catalogue)

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

    _, problem, _ = drafted(database, catalogue)

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


def test_a_count_is_less_what_was_reported_since_whenever_that_was_planned(
    database: Database, catalogue: Catalogue
) -> None:
    """Early in the morning a visit of the afternoon is made, another at night after a day of it."""
    add_visit(database, "early", day=0, group_gasket=1)
    add_visit(database, "late", day=0, group_gasket=1)
    for visit, planned, begun, ended in (("early", 8, 0, 1), ("late", 4, 4, 12)):
        start = NOW + timedelta(hours=planned)
        with database.write() as session:
            session.get_one(VisitRow, visit).state = "booked"
            session.flush()
            session.add(
                AppointmentRow(
                    id=f"ap-{visit}", visit_id=visit, technician_id="te-1", starts_at=start,
                    ends_at=start + timedelta(hours=1), created_at=NOW, revised_at=NOW,
                    fetch={visit: {GASKET: 3}},
                )
            )  # fmt: skip
        begun_at, ended_at = (NOW + timedelta(hours=hours) for hours in (begun, ended))
        change_state(
            database, f"ap-{visit}", AppointmentState.UNDER_WAY, catalogue,
            now=begun_at, origin=TESTER,
        )  # fmt: skip
        if visit == "late":
            count_stock(
                database, "te-1", {GASKET: 5}, catalogue,
                now=NOW + timedelta(hours=6), origin=TESTER,
            )  # fmt: skip
        report_work(database, f"ap-{visit}", VisitReport(), catalogue, now=ended_at, origin=TESTER)

    # what was fetched lay in the van when it was counted, and only the late one was not over
    with database.read() as session:
        assert stock_at_hand(session)["te-1"] == {GASKET: 4}


def test_who_reads_of_a_part_that_is_missing_reads_its_name(
    database: Database, catalogue: Catalogue
) -> None:
    only_the_first_works(database)
    # it takes the day: there is no time for a call as well
    add_visit(database, "long", day=0, minutes=475, group_gasket=2)
    counted(database, catalogue, "te-1", steam_wand=1)

    _, _, plan = drafted(database, catalogue)

    (left,) = plan.left_out
    assert (left.visit, left.reason) == ("long", "tools_or_parts_missing")
    assert left.detail.endswith("round on Mon 22 Mar lacks 2 of Group gasket.")
    made = book_by_hand(database, "long", "te-1", NOW + timedelta(hours=3), catalogue,
                        now=NOW, origin=TESTER)  # fmt: skip
    with database.read() as session:
        told = [broken.detail for broken in judge_slot(session, made, catalogue)]
    assert any("has not got 2 of Group gasket to spare" in detail for detail in told)


@pytest.mark.parametrize("with_the_other", [0, 1])  # nobody has to call for what one has along
def test_all_searches_of_a_plan_are_told_of_as_one(
    database: Database, catalogue: Catalogue, with_the_other: int
) -> None:
    add_visit(database, "today", day=0, group_gasket=1)
    counted(database, catalogue, "te-1", steam_wand=1)
    counted(database, catalogue, "te-2", steam_wand=1, group_gasket=with_the_other)
    row = request_plan(database, REQUEST, now=NOW, origin=TESTER)
    claim_plan(database, holder="me", now=NOW)
    told: list[float] = []

    row = solve_plan(
        database, row.id, holder="me", clock=lambda: NOW,
        listen=lambda share, cost: told.append(share),
    )  # fmt: skip

    assert len(plan_from_json(row.solution).calls) == 1 - with_the_other
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
