"""Nobody is sent to a site where another technician works meanwhile, whichever way it is tried."""

from datetime import datetime, timedelta

import pytest

from api.actions.appointments import book_by_hand, change_state, move_by_hand
from api.actions.booking import book_hold
from api.actions.holding import hold_time
from api.actions.offering import offer_times
from api.actions.solving import assemble_plan
from api.storage.database import Database
from api.storage.presence import presences
from api.storage.scope import EVERYTHING
from api.storage.tables import AppointmentRow
from scheduler.catalogue import Catalogue
from scheduler.errors import SiteTaken, TimeTaken
from scheduler.lifecycle import AppointmentState
from scheduler.presence import Presence, meetings
from tests.api.actions.conftest import NOW, TESTER
from tests.api.actions.test_booking import visit
from tests.api.actions.test_planning import REQUEST

TEN = NOW + timedelta(hours=3, minutes=30)  # NOW is 06:30 at the site
HOUR = timedelta(hours=1)
MINUTE = timedelta(minutes=1)


@pytest.fixture
def database(database: Database) -> Database:
    """Two visits of an hour at the first site, one at the second."""
    with database.write() as session:
        session.add_all([visit("v1", "si-1"), visit("v2", "si-2"), visit("v3", "si-1")])
    return database


def booked(
    database: Database, catalogue: Catalogue, name: str, technician: str, at: datetime
) -> AppointmentRow:
    return book_by_hand(database, name, technician, at, catalogue, now=NOW, origin=TESTER)


def begun(database: Database, catalogue: Catalogue, row: AppointmentRow, now: datetime) -> None:
    to = AppointmentState.UNDER_WAY
    change_state(database, row.id, to, catalogue, now=now, origin=TESTER)


def there(database: Database, now: datetime = NOW) -> tuple[Presence, ...]:
    with database.read() as session:
        return presences(session, start=now, end=now + timedelta(days=30), now=now)


def test_booking_by_hand_beside_another_technician_is_refused_and_says_who_is_there(
    database: Database, catalogue: Catalogue
) -> None:
    booked(database, catalogue, "v1", "te-1", TEN)
    with pytest.raises(SiteTaken) as refusal:
        booked(database, catalogue, "v3", "te-2", TEN + 59 * MINUTE)
    assert str(refusal.value) == (
        "Technician 1 is at Café 1 from 2027-03-22 10:00 to 11:00, and two never work at one site "
        "at once, since one may switch on what the other has made safe: choose a time before or "
        "after, or let one of them make both visits"
    )
    assert len(there(database)) == 1
    booked(database, catalogue, "v3", "te-2", TEN + 60 * MINUTE)
    booked(database, catalogue, "v2", "te-2", TEN)  # at another site
    assert len(there(database)) == 3


def test_moving_by_hand_beside_another_technician_is_refused(
    database: Database, catalogue: Catalogue
) -> None:
    booked(database, catalogue, "v1", "te-1", TEN)
    later = booked(database, catalogue, "v3", "te-2", TEN + 2 * HOUR)
    with pytest.raises(SiteTaken):
        move_by_hand(database, later.id, "te-2", TEN, catalogue, now=NOW, origin=TESTER)
    before = TEN - HOUR
    moved = move_by_hand(database, later.id, "te-2", before, catalogue, now=NOW, origin=TESTER)
    assert (moved.starts_at, meetings(there(database))) == (before, ())


def test_nobody_is_put_beside_work_that_lasts_longer_than_planned(
    database: Database, catalogue: Catalogue
) -> None:
    """Planned until 11:00 and not reported: at 11:20 it is taken to last until 11:35."""
    first = booked(database, catalogue, "v1", "te-1", TEN)
    begun(database, catalogue, first, TEN)
    now = TEN + 80 * MINUTE
    with pytest.raises(SiteTaken, match=r"Technician 1 .* 10:00 to 11:35"):
        book_by_hand(database, "v3", "te-2", now + 14 * MINUTE, catalogue, now=now, origin=TESTER)
    at = now + 15 * MINUTE
    book_by_hand(database, "v3", "te-2", at, catalogue, now=now, origin=TESTER)


def test_a_visit_does_not_begin_while_another_technician_is_at_work_there(
    database: Database, catalogue: Catalogue
) -> None:
    """A technician may run early, but not into somebody else's work."""
    first = booked(database, catalogue, "v1", "te-1", TEN)
    second = booked(database, catalogue, "v3", "te-2", TEN + HOUR)
    begun(database, catalogue, first, TEN)
    with pytest.raises(SiteTaken, match="begin when they have reported their work"):
        begun(database, catalogue, second, TEN + 40 * MINUTE)
    begun(database, catalogue, second, TEN + 60 * MINUTE)  # not held up by a forgotten report


def test_work_begun_late_takes_its_time_from_then(database: Database, catalogue: Catalogue) -> None:
    """Planned for 10:00 to 11:00 and begun at 10:55: somebody is there until 11:55."""
    late = TEN + 55 * MINUTE
    first = booked(database, catalogue, "v1", "te-1", TEN)
    second = booked(database, catalogue, "v3", "te-2", TEN + HOUR)
    begun(database, catalogue, first, late)
    with pytest.raises(SiteTaken, match=r"Technician 1 .* 10:00 to 11:55"):
        begun(database, catalogue, second, TEN + HOUR)
    with pytest.raises(SiteTaken, match=r"Technician 1 .* 10:00 to 11:55"):
        move_by_hand(
            database, second.id, "te-2", late + 59 * MINUTE, catalogue, now=late, origin=TESTER
        )
    begun(database, catalogue, second, late + HOUR)


def test_nobody_begins_in_the_time_of_another_technician(
    database: Database, catalogue: Catalogue
) -> None:
    """Whoever has the site from 10:00 to 11:00 may be there without having said so."""
    booked(database, catalogue, "v1", "te-1", TEN)
    second = booked(database, catalogue, "v3", "te-2", TEN + HOUR)
    with pytest.raises(SiteTaken, match=r"Technician 1 .* 10:00 to 11:00.* have the office move"):
        begun(database, catalogue, second, TEN + 20 * MINUTE)
    begun(database, catalogue, second, TEN - 20 * MINUTE)


def test_work_begun_early_has_the_site_from_then(database: Database, catalogue: Catalogue) -> None:
    """Planned for 11:00 to 12:00 and begun at 9:00: nobody may be sent there at 9:30."""
    first = booked(database, catalogue, "v1", "te-1", TEN + HOUR)
    begun(database, catalogue, first, TEN - HOUR)
    now = TEN - 45 * MINUTE
    for at in (TEN - 30 * MINUTE, TEN):
        with pytest.raises(SiteTaken, match=r"Technician 1 .* 09:00 to 12:00"):
            book_by_hand(database, "v3", "te-2", at, catalogue, now=now, origin=TESTER)


def test_what_is_held_for_a_client_counts_as_somebody_there(
    database: Database, catalogue: Catalogue
) -> None:
    held = hold_time(database, "v1", TEN, now=NOW, origin=TESTER, scope=EVERYTHING)
    other = {"te-1": "te-2", "te-2": "te-1"}[held.technician_id]
    with pytest.raises(SiteTaken):
        booked(database, catalogue, "v3", other, held.starts_at + MINUTE)
    booked(database, catalogue, "v3", other, held.ends_at)
    book_hold(database, held.id, catalogue, now=NOW, origin=TESTER, scope=EVERYTHING)
    assert meetings(there(database)) == ()


def test_no_time_is_offered_or_held_beside_another_technician(
    database: Database, catalogue: Catalogue
) -> None:
    taken = booked(database, catalogue, "v1", "te-1", TEN)
    with database.read() as session:
        sheet = offer_times(session, "v3", now=NOW, scope=EVERYTHING)
    assert sheet.offers
    for offer in sheet.offers:
        assert offer.starts_at >= taken.ends_at or offer.starts_at + HOUR <= taken.starts_at
    with pytest.raises(TimeTaken):  # any arrival in its half hours would meet
        hold_time(database, "v3", TEN - 59 * MINUTE, now=NOW, origin=TESTER, scope=EVERYTHING)


def test_a_plan_keeps_everybody_away_from_work_under_way(
    database: Database, catalogue: Catalogue
) -> None:
    """The window of the site is cut at 11:20, when what should have ended by now may be over."""
    first = booked(database, catalogue, "v1", "te-1", TEN)
    begun(database, catalogue, first, TEN)
    now = TEN + 65 * MINUTE
    assembly = assemble_plan(database, REQUEST, now=now)
    loose = {each.id: each for each in assembly.problem.visits}
    starts = {name: assembly.instant(loose[name].start_windows[0][0]) for name in ("v2", "v3")}
    assert starts == {"v2": now, "v3": now + 15 * MINUTE}
