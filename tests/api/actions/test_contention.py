"""Several processes book the same technicians' time at once, some are killed while they do."""

import json
import signal
import subprocess
import sys
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from threading import Barrier

import pytest

from api.actions.holding import BookingPolicy, FoundTime, keep_time
from api.storage.database import Database
from scheduler.errors import JustTaken
from tests.api.actions.conftest import NOW, TESTER
from tests.api.actions.contention import Ledger, broken_rules, lay_out, two_at_one_site

CLIENTS = 2
ONE_HOUR = timedelta(hours=1)
ANY_NUMBER = BookingPolicy(holds_per_client=99)


@pytest.fixture
def database(database_url: str) -> Iterator[Database]:
    database = Database(database_url)
    database.create_or_upgrade()
    yield database
    database.close()


def start(*arguments: object) -> subprocess.Popen[str]:
    command = [sys.executable, "-m", "tests.api.actions.contention", *map(str, arguments)]
    return subprocess.Popen(command, stdout=subprocess.PIPE, text=True)


def test_nothing_is_booked_twice_or_lost(database: Database, database_url: str) -> None:
    key = lay_out(database, technicians=2)
    clients = [start(database_url, key, seed, 20, 4, 0) for seed in range(CLIENTS)]
    # the first is killed in the middle of something; another goes on where it was
    first = clients.pop(0)
    assert first.stdout is not None
    heard = [first.stdout.readline() for _ in range(21)]
    first.send_signal(signal.SIGKILL)
    rest, _ = first.communicate()
    ledger = Ledger()
    wish = ledger.read([*heard, *rest.splitlines(keepends=True)])
    retry = [] if wish is None else [json.dumps(wish)]
    clients.append(start(database_url, key, 100, 8, 4, 0, *retry))
    for client in clients:
        said, _ = client.communicate(timeout=120)
        assert client.returncode == 0
        assert ledger.read(said.splitlines(keepends=True)) is None
    assert broken_rules(database, ledger) == {}
    assert ledger.errors == 0
    assert ledger.bookings >= 10  # something was booked
    assert ledger.statuses[409] >= 5  # and something was wanted by two


def test_two_technicians_are_never_held_for_one_site(database: Database) -> None:
    """Both have been found before either is kept, for different hours of one day."""
    lay_out(database, technicians=2)
    together = Barrier(2)

    def kept(who: str, name: str, at: datetime) -> bool:
        found = FoundTime(
            visit=name,
            technician=who,
            starts_at=at,
            arrive_from=at,
            arrive_until=at + timedelta(hours=1),
        )
        together.wait()
        try:
            keep_time(database, found, now=NOW, origin=TESTER, booking=ANY_NUMBER)
        except JustTaken:
            return False
        return True

    for number in range(4):
        morning = datetime(2027, 3, 22, 9, tzinfo=UTC) + timedelta(days=number)
        with ThreadPoolExecutor(2) as threads:  # every twelfth visit is at the same site
            one = threads.submit(kept, "te-1", f"v{24 * number}", morning)
            other = threads.submit(kept, "te-2", f"v{24 * number + 12}", morning + 3 * ONE_HOUR)
        assert {one.result(), other.result()} == {True, False}
    assert two_at_one_site(database) == []
