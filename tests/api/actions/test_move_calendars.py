"""Servers that start at the same moment agree on the address in their calendars."""

from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime
from threading import Barrier

from api.actions.calendars import move_calendars
from api.storage.database import Database
from api.storage.public_address import public_address
from seed_data.catalogue import load_catalogue

NOW = datetime(2027, 3, 1, 8, tzinfo=UTC)
SERVERS = 6


def test_servers_that_start_at_once_do_not_stop_each_other(database_url: str) -> None:
    catalogue = load_catalogue()
    databases = [Database(database_url) for _ in range(SERVERS)]
    databases[0].create_or_upgrade()
    together = Barrier(SERVERS)

    def start(database: Database) -> str | None:
        together.wait()
        move_calendars(database, "https://plan.example.org", catalogue, now=NOW)
        with database.read() as session:
            return public_address(session)

    with ThreadPoolExecutor(SERVERS) as pool:
        told = list(pool.map(start, databases))
    for database in databases:
        database.close()
    assert told == ["https://plan.example.org"] * SERVERS
