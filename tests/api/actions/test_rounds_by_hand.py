"""Rounds changed by hand stay true: their drives, their call at the workshop, what it fetches."""

from datetime import datetime, timedelta
from itertools import pairwise

import pytest
from sqlmodel import col, select

from api.actions.appointments import book_by_hand, change_state, move_by_hand
from api.storage.company_travel import company_travel
from api.storage.database import Database
from api.storage.documents import worksheet_to_json
from api.storage.stock import workshop_at
from api.storage.tables import AppointmentRow, SiteRow, TechnicianRow, VisitRow
from scheduler.catalogue import Catalogue
from scheduler.lifecycle import AppointmentState
from scheduler.places import Coordinates
from scheduler.worksheet import Worksheet
from tests.api.actions.conftest import NOW, TESTER, TODAY

EIGHT = NOW.replace(hour=7, minute=0)  # 08:00 in Paris
HOME = {"te-1": (44.80, -0.60), "te-2": (44.90, -0.55)}
GASKET = {"group_gasket": 2}
SHEET = Worksheet(
    steps=(), minutes=60, minutes_p80=75, machine_back_minutes={}, needs_off=False,
    skills=frozenset(), parts=GASKET, tools=(), cautions=(), because="",
)  # fmt: skip


def clock(hours: float, *, day: int = 0) -> datetime:
    """Return an hour after eight."""
    return EIGHT + timedelta(days=day, hours=hours)


@pytest.fixture
def rounds(database: Database) -> Database:
    """One round of three visits, at Café 1, 2 and 1, with a call at the workshop at its begin."""
    with database.write() as session:
        for name, site, begins in (("a", 1, 1), ("b", 2, 3), ("c", 1, 5)):
            session.add(
                VisitRow(
                    id=name, site_id=f"si-{site}", kind="upkeep", window="access", minutes=60,
                    skills=[], parts=GASKET, earliest=TODAY, target=TODAY, latest=TODAY,
                    headlines=["gaskets"], state="booked", worksheet=worksheet_to_json(SHEET),
                )
            )  # fmt: skip
            session.flush()
            session.add(
                AppointmentRow(
                    id=f"ap-{name}", visit_id=name, technician_id="te-1", starts_at=clock(begins),
                    ends_at=clock(begins + 1), created_at=NOW, revised_at=NOW, travel_minutes=99,
                    call_minutes=15 if name == "a" else None,
                    fetch=dict.fromkeys("abc", GASKET) if name == "a" else {},
                )
            )  # fmt: skip
    return database


def minutes_over(database: Database, *ways: tuple[float, float]) -> int:
    places = [Coordinates(lat=lat, lon=lon) for lat, lon in ways]
    with database.read() as session:
        table = company_travel(session, places).between(places).minutes
    return sum(int(table[one, other]) for one, other in pairwise(range(len(places))))


def told(database: Database) -> dict[str, tuple[int, int | None, list[str]]]:
    """Return each appointment's drive, its call and for which visits it fetches."""
    with database.read() as session:
        rows = session.exec(select(AppointmentRow).where(col(AppointmentRow.state) != "cancelled"))
        return {
            row.visit_id: (row.travel_minutes, row.call_minutes, list(row.fetch)) for row in rows
        }


def places(database: Database) -> tuple[tuple[float, float], ...]:
    """Return the workshop, Café 1 and Café 2."""
    with database.read() as session:
        sites = [session.get_one(SiteRow, f"si-{number}") for number in (1, 2)]
        return tuple((place.lat, place.lon) for place in (workshop_at(session), *sites))


def test_what_is_still_the_first_of_its_round_keeps_its_call(
    rounds: Database, catalogue: Catalogue
) -> None:
    workshop, one, two = places(rounds)
    move_by_hand(rounds, "ap-a", "te-1", clock(1.5), catalogue, now=NOW, origin=TESTER)

    assert told(rounds) == {
        "a": (minutes_over(rounds, HOME["te-1"], workshop, one), 15, ["a", "b", "c"]),
        "b": (minutes_over(rounds, one, two), None, []),
        "c": (99, None, []),  # nothing changed before it
    }


def test_a_call_handed_on_is_driven_to_from_where_the_round_is_then(
    rounds: Database, catalogue: Catalogue
) -> None:
    workshop, _, two = places(rounds)
    change_state(rounds, "ap-a", AppointmentState.CANCELLED, catalogue, now=NOW, origin=TESTER)

    assert told(rounds) == {
        "b": (minutes_over(rounds, HOME["te-1"], workshop, two), 15, ["b", "c"]),
        "c": (99, None, []),
    }


def test_what_changes_hands_is_driven_to_from_the_home_of_its_new_technician(
    rounds: Database, catalogue: Catalogue
) -> None:
    workshop, _, two = places(rounds)
    with rounds.write() as session:
        session.get_one(TechnicianRow, "te-2").workshop_days = ["Tu"]
    move_by_hand(rounds, "ap-b", "te-2", clock(3), catalogue, now=NOW, origin=TESTER)
    found = told(rounds)
    assert found["a"] == (99, 15, ["a", "c"])
    assert found["b"] == (minutes_over(rounds, HOME["te-2"], two), None, [])
    assert found["c"] == (0, None, [])  # it comes straight after the other one at Café 1

    move_by_hand(rounds, "ap-b", "te-2", clock(3, day=1), catalogue, now=NOW, origin=TESTER)
    assert told(rounds)["b"][0] == minutes_over(rounds, workshop, two)


def test_what_moves_ahead_of_the_call_that_fetches_for_it_takes_the_call_along(
    rounds: Database, catalogue: Catalogue
) -> None:
    workshop, one, two = places(rounds)
    with rounds.write() as session:
        first, last = (session.get_one(AppointmentRow, f"ap-{name}") for name in "ab")
        last.call_minutes, last.fetch = first.call_minutes, {"b": GASKET, "c": GASKET}
        first.call_minutes, first.fetch = None, {}
    move_by_hand(rounds, "ap-c", "te-1", clock(2), catalogue, now=NOW, origin=TESTER)

    assert told(rounds)["c"] == (minutes_over(rounds, one, workshop, one), 15, ["b", "c"])
    assert told(rounds)["b"] == (minutes_over(rounds, one, two), None, [])


def test_a_visit_booked_by_hand_says_how_to_get_there_and_on(
    rounds: Database, catalogue: Catalogue
) -> None:
    _, one, two = places(rounds)
    with rounds.write() as session:
        session.get_one(AppointmentRow, "ap-b").state = "cancelled"
        session.get_one(VisitRow, "b").state = "open"
    book_by_hand(rounds, "b", "te-1", clock(3), catalogue, now=NOW, origin=TESTER)

    assert told(rounds)["b"] == (minutes_over(rounds, one, two), None, [])
    assert told(rounds)["c"] == (minutes_over(rounds, two, one), None, [])
