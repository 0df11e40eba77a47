"""Several processes book the same technicians' time at once, some are killed while they do."""

import json
import signal
import subprocess
import sys
from collections.abc import Iterator

import pytest

from api.storage.database import Database
from tests.api.actions.contention import Ledger, broken_rules, lay_out

CLIENTS = 2


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
