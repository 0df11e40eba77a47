"""Offers keep time to fetch what the vans lack, and a booking says what to fetch and where."""

from datetime import datetime, timedelta

from api.actions.appointments import change_state, move_by_hand
from api.actions.booking import book_hold, move_to_hold
from api.actions.holding import hold_time
from api.actions.offering import OfferedTime, ask, offer_times
from api.storage.database import Database
from api.storage.scope import EVERYTHING
from api.storage.tables import AppointmentRow, HoldRow, VisitRow
from scheduler.catalogue import Catalogue
from scheduler.lifecycle import AppointmentState
from tests.api.actions.conftest import NOW, TESTER, TODAY
from tests.api.actions.counted_vans import (
    GASKET,
    add_visit,
    appointments,
    breaches,
    counted,
    only_the_first_works,
)


def offers(database: Database, name: str, now: datetime = NOW) -> tuple[OfferedTime, ...]:
    with database.read() as session:
        return offer_times(session, name, now=now, scope=EVERYTHING).offers


def held(database: Database, name: str, at: datetime, now: datetime = NOW) -> HoldRow:
    return hold_time(database, name, at, now=now, origin=TESTER, scope=EVERYTHING)


def booked(
    database: Database, catalogue: Catalogue, name: str, now: datetime = NOW
) -> AppointmentRow:
    hold = held(database, name, offers(database, name, now)[0].arrive_from, now)
    return book_hold(database, hold.id, catalogue, now=now, origin=TESTER, scope=EVERYTHING)


def test_time_is_kept_to_call_at_the_workshop_on_a_later_day(
    database: Database, catalogue: Catalogue
) -> None:
    only_the_first_works(database)
    add_visit(database, "bare", day=1)
    add_visit(database, "next", day=1, group_gasket=2)
    counted(database, catalogue, "te-1", group_gasket=1)
    soonest, _ = offers(database, "bare")
    over, _ = offers(database, "next")
    # home to the workshop and on to the café takes longer than the direct way, by the call at least
    assert over.starts_at >= soonest.starts_at + timedelta(minutes=15)
    assert "loads the parts at the workshop first" in over.offer.because

    hold = held(database, "next", over.arrive_from)
    assert hold.call_minutes == 15
    with database.read() as session:  # nobody else is offered the time it takes
        asked = ask(session, session.get_one(VisitRow, "bare"), now=NOW)
    assert [call.before for call in asked.question.plan.calls] == ["hold/next"]

    made = book_hold(database, hold.id, catalogue, now=NOW, origin=TESTER, scope=EVERYTHING)
    assert (made.call_minutes, made.fetch) == (15, {"next": {GASKET: 1}})
    assert made.starts_at == NOW.replace(hour=7, minute=0) + timedelta(
        days=1, minutes=15 + made.travel_minutes
    )
    assert breaches(database, catalogue, made) == []

    # an earlier time of that day for another visit is fetched for on the same call
    add_visit(database, "then", day=2, group_gasket=1)
    then = booked(database, catalogue, "then")
    assert (then.call_minutes, then.fetch) == (None, {})
    assert appointments(database)["next"].fetch == {"next": {GASKET: 1}, "then": {GASKET: 1}}


def test_today_the_call_still_ahead_fetches_for_a_visit_after_it(
    database: Database, catalogue: Catalogue
) -> None:
    only_the_first_works(database)
    add_visit(database, "one", day=1, group_gasket=1)
    counted(database, catalogue, "te-1", steam_wand=1)
    calls = booked(database, catalogue, "one")
    add_visit(database, "other", day=1, group_gasket=2)

    morning = NOW + timedelta(days=1)
    assert {offer.offer.position for offer in offers(database, "other", morning)} == {1}
    setting_out = calls.starts_at - timedelta(minutes=15 + calls.travel_minutes)
    assert offers(database, "other", setting_out)
    assert not offers(database, "other", setting_out + timedelta(minutes=1))

    made = booked(database, catalogue, "other", morning)
    assert made.starts_at >= calls.ends_at
    assert (made.call_minutes, made.fetch) == (None, {})
    assert appointments(database)["one"].fetch == {"one": {GASKET: 1}, "other": {GASKET: 2}}

    # called off, what it would have used is not fetched any more
    cancelled = AppointmentState.CANCELLED
    change_state(database, made.id, cancelled, catalogue, now=morning, origin=TESTER)
    assert appointments(database)["one"].fetch == {"one": {GASKET: 1}}


def test_a_booked_visit_that_moves_takes_its_call_along(
    database: Database, catalogue: Catalogue
) -> None:
    only_the_first_works(database)
    add_visit(database, "next", day=1, group_gasket=1)
    add_visit(database, "then", day=1, group_gasket=1)
    counted(database, catalogue, "te-1", steam_wand=1)
    first = booked(database, catalogue, "next")
    move_by_hand(database, first.id, "te-1", first.starts_at + timedelta(hours=3), catalogue,
                 now=NOW, origin=TESTER)  # fmt: skip
    second = booked(database, catalogue, "then")
    assert second.starts_at > first.starts_at + timedelta(hours=3)

    hold = held(database, "next", offers(database, "next")[0].arrive_from)
    row = move_to_hold(
        database, first.id, hold.id, catalogue, now=NOW, origin=TESTER, scope=EVERYTHING
    )
    assert row.starts_at.date() == TODAY + timedelta(days=1)
    both = {name: {GASKET: 1} for name in ("next", "then")}
    assert (row.call_minutes, row.fetch) == (15, both)
    assert breaches(database, catalogue, row) == []
    last = appointments(database)["then"]
    assert (last.call_minutes, last.fetch) == (None, {})
