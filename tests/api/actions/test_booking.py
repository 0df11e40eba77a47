"""Offers, holds, bookings: what a client can do with the calendar, one step after the other."""

from contextlib import suppress
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from sqlmodel import select

from api.actions.appointments import book_by_hand, change_state, move_by_hand
from api.actions.booking import book_hold, cancel_with_notice, move_to_hold
from api.actions.holding import (
    BookingPolicy,
    FoundTime,
    expire_holds,
    hold_time,
    keep_time,
    release_hold,
    state_of,
)
from api.actions.offering import OfferedTimes, offer_times
from api.actions.publishing import publish_plan
from api.storage.booking_rules import booking_rules
from api.storage.database import Database
from api.storage.scope import EVERYTHING, Scope
from api.storage.tables import (
    AbsenceRow,
    AppointmentRow,
    FeedDocumentRow,
    HoldRow,
    OutboxRow,
    PublicationRow,
    SiteRow,
    StockRow,
    VisitRow,
)
from scheduler.catalogue import Catalogue
from scheduler.errors import (
    Absent,
    Conflict,
    HeldForClient,
    HoldOver,
    InvalidInput,
    InvalidParams,
    JustTaken,
    MoveNotAllowed,
    NoticeTooShort,
    StaleVersion,
    TimeTaken,
    TooManyHolds,
)
from scheduler.lifecycle import AppointmentState
from scheduler.offers import OfferPolicy
from tests.api.actions.conftest import NOW, TESTER, TODAY
from tests.api.actions.test_planning import drafted

ONE_HOUR = timedelta(hours=1)
CLIENT_1, CLIENT_2 = Scope(client="cl-1"), Scope(client="cl-2")


def visit(name: str, site: str, **more: object) -> VisitRow:
    values: dict[str, object] = {
        "kind": "upkeep", "window": "access", "minutes": 60, "skills": ["espresso"],
        "earliest": TODAY, "target": TODAY, "latest": TODAY + timedelta(days=20),
        "headlines": ["Gaskets"],
        "worksheet": {
            "steps": [], "minutes": 60, "minutes_p80": 60, "machine_back_minutes": {},
            "needs_off": False, "skills": ["espresso"], "parts": {}, "tools": [], "cautions": [],
            "because": "",
        },
    }  # fmt: skip
    return VisitRow(id=name, site_id=site, **(values | more))


@pytest.fixture
def database(database: Database) -> Database:
    """Three visits at two sites; si-3 is next door to si-2, for a second technician."""
    with database.write() as session:
        next_door = session.get_one(SiteRow, "si-2").model_dump() | {"id": "si-3"}
        session.add(SiteRow(**next_door))
        session.flush()
        session.add_all([visit("v1", "si-1"), visit("v2", "si-2"), visit("v3", "si-1")])
    return database


def offers(database: Database, name: str = "v1", now: datetime = NOW) -> OfferedTimes:
    with database.read() as session:
        return offer_times(session, name, now=now, scope=EVERYTHING)


def hold(
    database: Database,
    at: datetime,
    name: str = "v1",
    scope: Scope = EVERYTHING,
    now: datetime = NOW,
) -> HoldRow:
    return hold_time(database, name, at, now=now, origin=TESTER, scope=scope)


def book(
    database: Database, catalogue: Catalogue, held: HoldRow, now: datetime = NOW
) -> AppointmentRow:
    return book_hold(database, held.id, catalogue, now=now, origin=TESTER, scope=EVERYTHING)


def test_an_empty_calendar_offers_spread_over_the_days(database: Database) -> None:
    offered = offers(database)
    # today is Monday 22 March 2027, 06:30 in Paris; technicians set out at eight and the site lets
    # people in from eight: nobody arrives before the drive is over
    assert len(offered.offers) == 6
    assert [o.arrive_from.date() for o in offered.offers].count(TODAY) == 2
    assert offered.last_resorts == ()
    first = offered.offers[0]
    assert (first.arrive_from, first.arrive_until) == (
        datetime(2027, 3, 22, 7, 0, tzinfo=UTC),
        datetime(2027, 3, 22, 9, 0, tzinfo=UTC),
    )
    assert first.arrive_from <= first.starts_at <= first.arrive_until
    windows = sorted((o.arrive_from, o.arrive_until) for o in offered.offers)
    assert all(one[1] <= other[0] for one, other in pairwise(windows))


def test_a_hold_keeps_the_time_from_others_and_booking_makes_it_a_promise(
    database: Database, catalogue: Catalogue
) -> None:
    offered = offers(database).offers[0]
    held = hold(database, offered.arrive_from + timedelta(seconds=40), scope=CLIENT_1)
    assert (held.technician_id, held.starts_at) == (offered.technician, offered.starts_at)
    assert (held.arrive_from, held.arrive_until) == (offered.arrive_from, offered.arrive_until)
    assert held.expires_at == NOW + timedelta(minutes=10)

    row = book(database, catalogue, held)
    assert (row.state, row.technician_id, row.starts_at) == (
        "promised",
        offered.technician,
        offered.starts_at,
    )
    assert (row.arrive_from, row.arrive_until) == (offered.arrive_from, offered.arrive_until)
    assert row.travel_minutes == offered.offer.travel_minutes
    with database.read() as session:
        assert session.get_one(VisitRow, "v1").state == "booked"
        kept = session.get_one(HoldRow, held.id)
        assert (kept.state, kept.appointment_id) == ("booked", row.id)
        assert session.get_one(PublicationRow, 1).revision == 1
        assert session.exec(select(OutboxRow.topic)).all() == ["appointment.promised"]
        (feed,) = session.exec(select(FeedDocumentRow.body)).all()
    assert f"UID:{row.id}@".encode() in feed
    # and once only
    with pytest.raises(HoldOver, match="is booked"):
        book(database, catalogue, held)


def test_holds_of_one_technician_leave_time_for_the_drive_between_them(
    database: Database,
) -> None:
    with database.write() as session:
        for number in range(8):  # each at a site of its own, at two addresses in turn
            there = session.get_one(SiteRow, f"si-{number % 2 + 1}").model_dump()
            session.add(SiteRow(**there | {"id": f"si-w{number}"}))
            session.flush()
            session.add(visit(f"w{number}", f"si-w{number}"))
    at = datetime(2027, 3, 22, 9, tzinfo=UTC)  # 10:00 to 12:00 in Paris
    held = []
    with suppress(TimeTaken):
        for number in range(8):
            held.append(
                hold_time(
                    database, f"w{number}", at, now=NOW, origin=TESTER, scope=EVERYTHING,
                    booking=BookingPolicy(holds_per_client=9),
                )
            )  # fmt: skip
    # two people, an hour at each site, arrivals within two hours
    assert len(held) in (4, 5, 6)
    assert all(at <= each.starts_at <= at + 2 * ONE_HOUR for each in held)
    for person in ("te-1", "te-2"):
        mine = sorted((h for h in held if h.technician_id == person), key=lambda h: h.starts_at)
        sites = [int(h.visit_id[1:]) % 2 for h in mine]
        for (one, here), (other, there) in pairwise(zip(mine, sites, strict=True)):
            # the sites are 1.1 km apart, 4 minutes of driving and 4 to park
            assert other.starts_at - one.ends_at >= timedelta(minutes=7 if here != there else 0)


def test_a_hold_that_runs_out_is_free_again_and_offered_again(
    database: Database, catalogue: Catalogue
) -> None:
    def beyond_today(now: datetime = NOW) -> list[tuple[str, datetime]]:
        sheet = offers(database, "v3", now)
        return [(o.technician, o.starts_at) for o in sheet.offers if o.starts_at.date() > TODAY]

    before = beyond_today()
    held = hold(database, before[0][1], "v1")  # work like that of v3, at the same site
    taken = (held.technician_id, held.starts_at)
    assert taken == before[0]
    assert taken not in beyond_today()
    over = held.expires_at
    assert taken not in beyond_today(over - timedelta(seconds=1))
    # the very second it ends it blocks nothing, whether it was tidied up or not
    assert beyond_today(over) == before
    assert state_of(held, over) == "expired"
    with pytest.raises(HoldOver, match="is expired"):
        book(database, catalogue, held, now=over)
    assert expire_holds(database, now=over - timedelta(seconds=1)) == 0
    assert expire_holds(database, now=over) == 1
    with database.read() as session:
        assert session.get_one(HoldRow, held.id).state == "expired"
    again = hold(database, held.arrive_from, "v3", now=over)
    assert (again.technician_id, again.starts_at) == taken


def test_a_site_keeps_to_one_technician_a_day(database: Database, catalogue: Catalogue) -> None:
    first = hold(database, offers(database, "v3").offers[0].arrive_from, "v1")
    day = first.starts_at.date()
    other = {"te-1": "te-2", "te-2": "te-1"}[first.technician_id]

    that_day = {o.technician for o in offers(database, "v3").offers if o.starts_at.date() == day}
    assert that_day == {first.technician_id}
    # not even who found their time before the other's was kept
    stale = FoundTime(
        visit="v3",
        technician=other,
        starts_at=first.ends_at + 2 * ONE_HOUR,
        arrive_from=first.ends_at + 2 * ONE_HOUR,
        arrive_until=first.ends_at + 3 * ONE_HOUR,
    )
    with pytest.raises(JustTaken):
        keep_time(database, stale, now=NOW, origin=TESTER)
    release_hold(database, first.id, now=NOW, origin=TESTER, scope=EVERYTHING)
    assert keep_time(database, stale, now=NOW, origin=TESTER).technician_id == other


def test_a_visit_has_one_hold_and_a_client_three(database: Database) -> None:
    with database.write() as session:
        session.add_all([visit("v5", "si-1"), visit("v6", "si-1")])
    times = [o.arrive_from for o in offers(database).offers]
    first = hold(database, times[0], "v1", CLIENT_1)
    second = hold(database, times[1], "v1", CLIENT_1)
    with database.read() as session:
        assert session.get_one(HoldRow, first.id).state == "released"
    hold(database, times[2], "v3", CLIENT_1)
    hold(database, times[3], "v5", CLIENT_1)
    with pytest.raises(TooManyHolds, match="3 times are held already"):
        hold(database, times[4], "v6", CLIENT_1)
    hold(database, times[4], "v2", CLIENT_2)  # another client has their own
    release_hold(database, second.id, now=NOW, origin=TESTER, scope=CLIENT_1)
    hold(database, times[4], "v6", CLIENT_1)


def test_a_client_sees_only_their_own(database: Database, catalogue: Catalogue) -> None:
    at = offers(database).offers[0].arrive_from
    with pytest.raises(Absent), database.read() as session:
        offer_times(session, "v2", now=NOW, scope=CLIENT_1)
    with pytest.raises(Absent):
        hold(database, at, "v2", CLIENT_1)
    held = hold(database, at, "v2", CLIENT_2)
    with pytest.raises(Absent):
        book_hold(database, held.id, catalogue, now=NOW, origin=TESTER, scope=CLIENT_1)
    with pytest.raises(Absent):
        release_hold(database, held.id, now=NOW, origin=TESTER, scope=CLIENT_1)
    row = book(database, catalogue, held)
    with pytest.raises(Absent):
        cancel_with_notice(database, row.id, catalogue, now=NOW, origin=TESTER, scope=CLIENT_1)


def test_a_time_outside_the_sites_hours_cannot_be_held(database: Database) -> None:
    with pytest.raises(TimeTaken, match="nobody can come at 2027-03-22 19:00Z"):
        hold(database, datetime(2027, 3, 22, 19, tzinfo=UTC))
    with pytest.raises(TimeTaken):  # it has gone by, or nearly
        hold(database, datetime(2027, 3, 22, 7, tzinfo=UTC), now=NOW + timedelta(hours=4))


def test_staff_cannot_use_held_time_without_knowing(
    database: Database, catalogue: Catalogue
) -> None:
    held = hold(database, offers(database).offers[0].arrive_from)
    with pytest.raises(HeldForClient, match="is held for a client at 2027-03-22"):
        book_by_hand(
            database, "v2", held.technician_id, held.starts_at, catalogue, now=NOW, origin=TESTER
        )
    other = "te-2" if held.technician_id == "te-1" else "te-1"
    row = book_by_hand(database, "v2", other, held.starts_at, catalogue, now=NOW, origin=TESTER)
    with pytest.raises(HeldForClient):
        move_by_hand(
            database, row.id, held.technician_id, held.starts_at, catalogue, now=NOW, origin=TESTER
        )
    release_hold(database, held.id, now=NOW, origin=TESTER, scope=EVERYTHING)
    move_by_hand(
        database, row.id, held.technician_id, held.starts_at, catalogue, now=NOW, origin=TESTER
    )


def test_booking_looks_again_whether_the_time_can_be_kept(
    database: Database, catalogue: Catalogue
) -> None:
    held = hold(database, offers(database).offers[0].arrive_from)
    with database.write() as session:
        session.add(
            AbsenceRow(
                id="ab-1",
                technician_id=held.technician_id,
                starts_at=held.starts_at,
                ends_at=held.ends_at,
            )
        )
    with pytest.raises(TimeTaken):
        book(database, catalogue, held)
    with database.read() as session:
        assert session.exec(select(AppointmentRow)).all() == []
        assert session.get_one(VisitRow, "v1").state == "open"


def test_travel_is_part_of_what_fits(database: Database, catalogue: Catalogue) -> None:
    # both technicians are next door to each other until half past eleven (Paris); a visit at
    # site 1 right after does not overlap, but nobody can be there
    until = datetime(2027, 3, 22, 10, 30, tzinfo=UTC)
    for name, person in (("v2", "te-1"), ("v7", "te-2")):
        if name == "v7":
            with database.write() as session:
                session.add(visit("v7", "si-3"))
        book_by_hand(database, name, person, until - ONE_HOUR, catalogue, now=NOW, origin=TESTER)
    held = hold(database, until)
    assert held.starts_at == until + timedelta(minutes=held.travel_minutes)
    assert held.travel_minutes > 0


def test_moving_takes_the_new_time_and_gives_up_the_old_at_once(
    database: Database, catalogue: Catalogue
) -> None:
    times = offers(database).offers
    row = book(database, catalogue, hold(database, times[2].arrive_from))
    was = row.starts_at
    later = hold(database, times[4].arrive_from)
    with pytest.raises(Conflict, match=f"has appointment {row.id}: move that one"):
        book(database, catalogue, later)
    with pytest.raises(InvalidInput, match="is for visit v2, not v1"):
        move_to_hold(
            database, row.id, hold(database, times[1].arrive_from, "v2").id, catalogue,
            now=NOW, origin=TESTER, scope=EVERYTHING,
        )  # fmt: skip
    with pytest.raises(StaleVersion):
        move_to_hold(
            database, row.id, later.id, catalogue, now=NOW, origin=TESTER, scope=CLIENT_1,
            if_version=row.version + 1,
        )  # fmt: skip
    moved = move_to_hold(
        database, row.id, later.id, catalogue, now=NOW, origin=TESTER, scope=CLIENT_1,
        if_version=row.version,
    )  # fmt: skip
    assert (moved.id, moved.starts_at, moved.moved_from) == (row.id, later.starts_at, was)
    assert (moved.state, moved.arrive_from) == ("promised", later.arrive_from)
    # the time given up is offered again
    freed = [o.starts_at for o in offers(database, "v3").offers]
    assert times[2].starts_at in freed


def test_cancelling_needs_notice_of_clients_but_not_of_the_office(
    database: Database, catalogue: Catalogue
) -> None:
    row = book(database, catalogue, hold(database, offers(database).offers[0].arrive_from))
    assert row.arrive_from is not None
    late = row.arrive_from - timedelta(minutes=119)
    with pytest.raises(NoticeTooShort, match="120 minutes before: call the office"):
        cancel_with_notice(database, row.id, catalogue, now=late, origin=TESTER, scope=CLIENT_1)
    cancelled = cancel_with_notice(
        database, row.id, catalogue, now=late, origin=TESTER, scope=EVERYTHING
    )
    assert cancelled.state == "cancelled"
    with database.read() as session:
        assert session.get_one(VisitRow, "v1").state == "open"
    with pytest.raises(MoveNotAllowed):
        cancel_with_notice(database, row.id, catalogue, now=NOW, origin=TESTER, scope=EVERYTHING)
    assert offers(database).offers[0].arrive_from == row.arrive_from


def test_a_visit_that_is_over_or_under_way_has_no_offers(
    database: Database, catalogue: Catalogue
) -> None:
    row = book(database, catalogue, hold(database, offers(database).offers[0].arrive_from))
    change_state(database, row.id, AppointmentState.UNDER_WAY, catalogue, now=NOW, origin=TESTER)
    with pytest.raises(Conflict, match="visit v1 is booked: there is no time to be found"):
        offers(database)


def test_what_the_client_was_told_is_forgotten_when_the_office_moves_beyond_it(
    database: Database, catalogue: Catalogue
) -> None:
    row = book(database, catalogue, hold(database, offers(database).offers[0].arrive_from))
    assert row.arrive_until is not None
    within = move_by_hand(
        database, row.id, row.technician_id, row.arrive_until, catalogue, now=NOW, origin=TESTER
    )
    assert within.arrive_until == row.arrive_until
    beyond = move_by_hand(
        database, row.id, row.technician_id, row.arrive_until + ONE_HOUR, catalogue,
        now=NOW, origin=TESTER,
    )  # fmt: skip
    assert (beyond.arrive_from, beyond.arrive_until) == (None, None)


def test_a_deadline_that_cannot_be_kept_is_said_with_what_would_keep_it(
    database: Database, catalogue: Catalogue
) -> None:
    # both technicians are busy at other sites until after the deadline, one with a visit
    # nobody was promised
    deadline = datetime(2027, 3, 22, 9, tzinfo=UTC)
    with database.write() as session:
        session.add_all(
            [
                visit("v8", "si-2", minutes=180),
                visit("v9", "si-3", minutes=180),
                visit(
                    "call", "si-1", kind="callback", window="any", urgency="stopped",
                    respond_by=deadline, minutes=60,
                ),
            ]
        )  # fmt: skip
    eight = datetime(2027, 3, 22, 7, 30, tzinfo=UTC)
    for name, person in (("v8", "te-1"), ("v9", "te-2")):
        row = book_by_hand(database, name, person, eight, catalogue, now=NOW, origin=TESTER)
    change_state(database, row.id, AppointmentState.PROMISED, catalogue, now=NOW, origin=TESTER)
    offered = offers(database, "call")
    assert offered.deadline == deadline
    assert offered.offers
    assert not any(o.offer.keeps_deadline for o in offered.offers)
    (way,) = offered.last_resorts
    assert (way.technician, way.way.gives_way) == ("te-1", "v8")
    assert NOW < way.starts_at <= deadline
    # once nothing is in the way the deadline is kept, and said to be
    change_state(database, row.id, AppointmentState.CANCELLED, catalogue, now=NOW, origin=TESTER)
    assert all(o.offer.keeps_deadline for o in offers(database, "call").offers)


@pytest.mark.parametrize(
    ("urgency", "promised_by"),
    [("danger", NOW - ONE_HOUR), ("danger", None), ("stopped", None), ("impaired", None)],
)
def test_what_cannot_wait_and_cannot_be_answered_soon_is_told_by_telephone(
    database: Database, catalogue: Catalogue, urgency: str, promised_by: datetime | None
) -> None:
    # everybody is busy at other sites for three days, with visits nobody was promised
    with database.write() as session:
        session.add(
            visit(
                "call", "si-1", kind="callback", window="any", urgency=urgency,
                respond_by=promised_by, minutes=60,
            )
        )  # fmt: skip
        session.add_all(
            visit(f"b{number}", f"si-{number % 2 + 2}", minutes=300) for number in range(6)
        )
        booking_rules(session).telephone = "+33 5 55 50 01 00"
    for number in range(6):
        start = datetime(2027, 3, 22, 8, 30, tzinfo=UTC) + timedelta(days=number // 2)
        who = f"te-{number % 2 + 1}"
        book_by_hand(database, f"b{number}", who, start, catalogue, now=NOW, origin=TESTER)
    offered = offers(database, "call")
    soonest = min(each.starts_at for each in offered.offers)
    if urgency == "impaired":
        assert (offered.telephone_because, offered.last_resorts) == (None, ())
        return
    assert offered.telephone == "+33 5 55 50 01 00"
    assert offered.telephone_because is not None
    at_the_site = soonest.astimezone(ZoneInfo("Europe/Paris"))
    assert f"the first time is {at_the_site:%Y-%m-%d %H:%M}" in offered.telephone_because
    # the planner could move others to be there the same day: so may the dispatcher
    assert offered.last_resorts
    first = min(each.starts_at for each in offered.last_resorts)
    assert NOW < first < datetime(2027, 3, 22, 17, tzinfo=UTC) < soonest


def test_nobody_who_can_do_the_work_is_told_by_telephone(database: Database) -> None:
    with database.write() as session:
        session.get_one(VisitRow, "v1").skills = ["lift"]
    offered = offers(database)
    assert offered.offers == ()
    assert offered.telephone_because == "nobody can be there within 14 working days"


def test_only_who_carries_the_parts_comes_today(database: Database) -> None:
    with database.write() as session:
        session.get_one(VisitRow, "v1").parts = {"group_gasket": 2}
        session.add_all(
            StockRow(place=place, part_type="group_gasket", pieces=pieces, counted_at=NOW)
            for place, pieces in (("te-1", 1), ("te-2", 3), ("workshop", 5))
        )
    found = {(o.arrive_from.date() == TODAY, o.technician): o.offer.because
             for o in offers(database).offers}  # fmt: skip
    assert {who for today, who in found if today} == {"te-2"}
    assert "has the parts in the van" in found[True, "te-2"]
    with database.write() as session:
        session.get_one(StockRow, ("te-2", "group_gasket")).pieces = 0
    later = offers(database).offers
    assert TODAY not in {o.arrive_from.date() for o in later}
    assert all("loads the parts at the workshop first" in o.offer.because for o in later)
    with database.write() as session:
        session.get_one(StockRow, ("workshop", "group_gasket")).pieces = 0
    assert all("have to be ordered" in o.offer.because for o in offers(database).offers)


def test_policies_check_themselves() -> None:
    with pytest.raises(InvalidParams, match="hold_minutes must be >= 1, got 0"):
        BookingPolicy(hold_minutes=0)
    assert OfferPolicy().window_minutes == 120
    assert date(2027, 3, 22) == TODAY


def test_a_plan_leaves_what_is_held_to_the_client(database: Database, catalogue: Catalogue) -> None:
    held = hold(database, offers(database).offers[0].arrive_from)
    draft = drafted(database)
    assert draft.broken_promises == []
    changes = publish_plan(database, draft.id, catalogue, now=NOW, origin=TESTER)
    planned = {change.visit for change in changes}
    assert held.visit_id not in planned  # the client is making up their mind
    assert "v2" in planned  # the rest is planned beside it
    row = book(database, catalogue, held)  # and the time can still be kept
    assert (row.technician_id, row.starts_at) == (held.technician_id, held.starts_at)
