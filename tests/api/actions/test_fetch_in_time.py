"""Appointments change their places by hand: every part is still fetched before its visit."""

from datetime import timedelta

from api.actions.appointments import book_by_hand, change_state, move_by_hand
from api.actions.calendars import Feed
from api.actions.feed_links import create_feed_link
from api.storage.database import Database
from api.storage.tables import AppointmentRow, FeedKind, TechnicianRow
from scheduler.catalogue import Catalogue
from scheduler.hand_moves import Breach
from scheduler.lifecycle import AppointmentState
from tests.api.actions.conftest import NOW, TESTER
from tests.api.actions.counted_vans import (
    GASKET,
    add_visit,
    appointments,
    breaches,
    calendar,
    counted,
    only_the_first_works,
    published,
)

Ways = dict[str, tuple[int | None, dict[str, dict[str, int]]]]


def ways(database: Database) -> Ways:
    return {
        name: (row.call_minutes, row.fetch) for name, row in sorted(appointments(database).items())
    }


def put(
    database: Database, catalogue: Catalogue, row: AppointmentRow, to: AppointmentRow, hours: int
) -> AppointmentRow:
    start = to.starts_at + timedelta(hours=hours)
    return move_by_hand(database, row.id, "te-1", start, catalogue, now=NOW, origin=TESTER)


def two_today_and_one_tomorrow(database: Database, catalogue: Catalogue) -> list[AppointmentRow]:
    """One call today, before the first of two, loads a gasket for each of the three."""
    only_the_first_works(database)
    for name, day in (("one", 0), ("two", 0), ("next", 1)):
        add_visit(database, name, day=day, group_gasket=1)
    counted(database, catalogue, "te-1", steam_wand=1)
    rows = sorted(published(database, catalogue).values(), key=lambda row: row.starts_at)
    everything = {name: {GASKET: 1} for name in ("one", "two", "next")}
    assert [row.call_minutes for row in rows] == [15, None, None]
    assert [row.fetch for row in rows] == [everything, {}, {}]
    return rows


def test_a_hand_move_that_leaves_the_van_without_a_part_is_told(
    database: Database, catalogue: Catalogue
) -> None:
    only_the_first_works(database)
    add_visit(database, "today", day=0, group_gasket=1)
    add_visit(database, "next", day=1, group_gasket=1)
    counted(database, catalogue, "te-1", steam_wand=1)
    mine = Feed(FeedKind.TECHNICIAN, "te-1")
    create_feed_link(database, mine, "telephone", catalogue, now=NOW, origin=TESTER)
    made = published(database, catalogue)
    first, second = made["today"], made["next"]
    assert first.fetch == {"today": {GASKET: 1}, "next": {GASKET: 1}}
    assert breaches(database, catalogue, first) == breaches(database, catalogue, second) == []

    # Called off, it hands its call to nobody: nothing comes after it that day. Its technician is
    # told to load the other part before that round, and the office that no call is made for it.
    change_state(database, first.id, AppointmentState.CANCELLED, catalogue, now=NOW, origin=TESTER)
    assert ways(database) == {"next": (None, {"next": {GASKET: 1}})}
    assert "Load before you set out\n1 × Group gasket (for Café 1)" in calendar(database, "te-1")
    moved = move_by_hand(
        database, second.id, "te-1", second.starts_at + timedelta(hours=1), catalogue,
        now=NOW, origin=TESTER,
    )  # fmt: skip
    assert breaches(database, catalogue, moved) == [Breach.PARTS_MISSING]

    # the next plan makes the other visit after all, and fetches for both on the way there
    made = published(database, catalogue)
    assert made["today"].fetch == {"today": {GASKET: 1}, "next": {GASKET: 1}}
    assert breaches(database, catalogue, made["next"]) == []


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


def test_what_a_called_off_last_visit_would_fetch_is_fetched_on_the_next_call(
    database: Database, catalogue: Catalogue
) -> None:
    first, second, third = two_today_and_one_tomorrow(database, catalogue)
    both = {name: {GASKET: 1} for name in (second.visit_id, "next")}
    cancelled = AppointmentState.CANCELLED
    change_state(database, first.id, cancelled, catalogue, now=NOW, origin=TESTER)
    assert ways(database) == {second.visit_id: (15, both), "next": (None, {})}

    # the last of the day, too: what it would fetch for tomorrow is loaded before that round
    change_state(database, second.id, cancelled, catalogue, now=NOW, origin=TESTER)
    assert ways(database) == {"next": (None, {"next": {GASKET: 1}})}

    # nobody needs anything any more once nobody comes
    change_state(database, third.id, cancelled, catalogue, now=NOW, origin=TESTER)
    assert ways(database) == {}


def test_a_visit_that_moves_to_another_day_keeps_its_parts(
    database: Database, catalogue: Catalogue
) -> None:
    first, second, third = two_today_and_one_tomorrow(database, catalogue)
    change_state(database, second.id, AppointmentState.CANCELLED, catalogue, now=NOW, origin=TESTER)
    put(database, catalogue, first, third, 3)
    both = {name: {GASKET: 1} for name in ("next", first.visit_id)}
    # both are loaded before tomorrow's round: it makes no call
    assert ways(database) == {"next": (None, both), first.visit_id: (None, {})}


def test_a_call_goes_with_a_visit_that_moves_ahead_of_it(
    database: Database, catalogue: Catalogue
) -> None:
    first, second, _ = two_today_and_one_tomorrow(database, catalogue)
    everything = first.fetch
    soonest = first.starts_at
    # two hours later it is still the first of the round
    put(database, catalogue, second, second, 4)
    first = put(database, catalogue, first, first, 2)
    assert (first.call_minutes, first.fetch) == (15, everything)
    assert breaches(database, catalogue, first) == []

    # its own part would come too late for the other: there is time to call before that one
    second = move_by_hand(database, second.id, "te-1", soonest, catalogue, now=NOW, origin=TESTER)
    nothing: Ways = {first.visit_id: (None, {}), "next": (None, {})}
    assert ways(database) == {second.visit_id: (15, everything), **nothing}
    assert breaches(database, catalogue, second) == []
    # a minute sooner there is none, and that is said
    second = move_by_hand(
        database, second.id, "te-1", soonest - timedelta(minutes=1), catalogue,
        now=NOW, origin=TESTER,
    )  # fmt: skip
    assert breaches(database, catalogue, second) == [Breach.NO_WAY_THERE]


def test_a_visit_that_moves_before_the_day_of_its_call_is_loaded_for(
    database: Database, catalogue: Catalogue
) -> None:
    only_the_first_works(database)
    add_visit(database, "one", day=1, group_gasket=1)
    add_visit(database, "two", day=2, group_gasket=1)
    counted(database, catalogue, "te-1", steam_wand=1)
    made = published(database, catalogue)
    fetch = {name: {GASKET: 1} for name in ("one", "two")}
    assert ways(database) == {"one": (15, fetch), "two": (None, {})}
    add_visit(database, "bare", day=0)
    start = NOW + timedelta(hours=4)
    bare = book_by_hand(database, "bare", "te-1", start, catalogue, now=NOW, origin=TESTER)

    put(database, catalogue, made["two"], bare, 2)

    assert ways(database) == {
        "bare": (None, {"two": {GASKET: 1}}),
        "one": (15, {"one": {GASKET: 1}}),
        "two": (None, {}),
    }


def test_what_is_loaded_before_the_round_is_told_with_whatever_comes_first(
    database: Database, catalogue: Catalogue
) -> None:
    only_the_first_works(database)
    with database.write() as session:
        session.get_one(TechnicianRow, "te-1").workshop_days = ["Tu"]
    add_visit(database, "one", day=1, group_gasket=1)
    counted(database, catalogue, "te-1", steam_wand=1)
    made = published(database, catalogue)
    with database.write() as session:
        session.get_one(AppointmentRow, made["one"].id).starts_at += timedelta(hours=2)
        session.get_one(AppointmentRow, made["one"].id).ends_at += timedelta(hours=2)
    add_visit(database, "bare", day=1)

    start = made["one"].starts_at
    book_by_hand(database, "bare", "te-1", start, catalogue, now=NOW, origin=TESTER)

    assert ways(database) == {"bare": (None, {"one": {GASKET: 1}}), "one": (None, {})}
