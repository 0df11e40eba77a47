"""A receiver that answers as it was told, a clock turned by hand, two clients who listen."""

from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import httpx
import pytest

from api.outbox.relay import Relay
from api.outbox.sending import Sender
from api.outbox.signing import mint_secret
from api.storage.audit import announce
from api.storage.database import Database
from api.storage.events import TOPICS
from api.storage.ids import new_id
from api.storage.tables import ClientRow, WebhookEndpointRow
from tests.api.conftest import copy_of, sqlite_file

START = datetime(2027, 3, 1, 8, tzinfo=UTC)
PUBLIC = "93.184.215.14"  # an ordinary public address; nothing is sent there


class Hand:
    """A clock's hand, turned by the test."""

    def __init__(self) -> None:
        self.now = START

    def __call__(self) -> datetime:
        return self.now

    def turn(self, by: timedelta) -> None:
        self.now += by


class Receiver:
    """Answers with the scripted replies in turn, the last one for ever; keeps what it was sent."""

    def __init__(self, *script: int | httpx.Response | Exception) -> None:
        self.script = list(script or (200,))
        self.requests: list[httpx.Request] = []
        self.transport = httpx.MockTransport(self._answer)

    def _answer(self, request: httpx.Request) -> httpx.Response:
        self.requests.append(request)
        reply = self.script.pop(0) if len(self.script) > 1 else self.script[0]
        if isinstance(reply, Exception):
            raise reply
        return reply if isinstance(reply, httpx.Response) else httpx.Response(reply)

    @property
    def ids(self) -> list[str]:
        return [request.headers["webhook-id"] for request in self.requests]


RelayTo = Callable[[Receiver], Relay]


@pytest.fixture
def hand() -> Hand:
    return Hand()


@pytest.fixture(scope="session")
def two_clients(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return sqlite_file(tmp_path_factory.mktemp("two_clients"), fill)


@pytest.fixture
def database(two_clients: Path, tmp_path: Path) -> Iterator[Database]:
    with copy_of(two_clients, tmp_path) as database:
        yield database


@pytest.fixture
def either_database(database_url: str) -> Iterator[Database]:
    """The same on SQLite and on PostgreSQL."""
    database = Database(database_url)
    database.create_or_upgrade()
    fill(database)
    yield database
    database.close()


def fill(database: Database) -> None:
    """Store two clients, each with an endpoint that wants everything."""
    with database.write() as session:
        for x in ("a", "b"):
            session.add(ClientRow(id=f"c-{x}", name=f"Client {x}"))
            session.add(
                WebhookEndpointRow(
                    id=f"we-{x}",
                    client_id=f"c-{x}",
                    url=f"https://{x}.example/hook",
                    topics=sorted(TOPICS),
                    secret=mint_secret(),
                    created_at=START,
                )
            )


@pytest.fixture
def relay_to(database: Database, hand: Hand) -> RelayTo:
    def make(receiver: Receiver) -> Relay:
        return relay_on(database, receiver, hand)

    return make


def relay_on(database: Database, receiver: Receiver, hand: Hand) -> Relay:
    sender = Sender(tell_time=hand, resolve=lambda host: [PUBLIC], transport=receiver.transport)
    return Relay(database, sender, tell_time=hand)


def happen(
    database: Database,
    now: datetime,
    *,
    client: str | None = "c-a",
    visit: str = "v-1",
    topic: str = "appointment.planned",
) -> None:
    """Let something happen to an appointment."""
    with database.write() as session:
        announce(
            session,
            now=now,
            topic=topic,
            client=client,
            payload={
                "appointment": new_id("ap"),
                "visit": visit,
                "site": "s-1",
                "state": "planned",
                "starts_at": now,
                "ends_at": now + timedelta(hours=1),
            },
        )
