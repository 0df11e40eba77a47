"""A relay is killed after its message has arrived and before it can write that down."""

import os
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from typing import Any

from api.outbox.relay import LEASE, Relay
from api.outbox.sending import Sender
from api.storage.database import Database
from api.storage.tables import WebhookEndpointRow
from tests.api.outbox.conftest import START, Hand, happen

RELAY = """
import sys
from datetime import UTC, datetime
from api.outbox.relay import Relay
from api.outbox.sending import Sender
from api.storage.database import Database

now = datetime.fromisoformat(sys.argv[2])
sender = Sender(tell_time=lambda: now, loopback=True)
Relay(Database(sys.argv[1]), sender, tell_time=lambda: now).run_until_idle()
"""


class Murderer(HTTPServer):
    """Takes messages; kills the relay that brings the first one instead of answering it."""

    def __init__(self) -> None:
        self.victim: int | None = None
        self.ids: list[str] = []
        super().__init__(("127.0.0.1", 0), Hook)


class Hook(BaseHTTPRequestHandler):
    server: Murderer

    def do_POST(self) -> None:
        self.rfile.read(int(self.headers["content-length"]))
        self.server.ids.append(self.headers["webhook-id"])
        if self.server.victim is not None:
            os.kill(self.server.victim, signal.SIGKILL)
            self.server.victim = None
            return
        self.send_response(204)
        self.end_headers()

    def log_message(self, format: str, *args: Any) -> None:  # noqa: A002 - as in the base class
        """Say nothing."""


@contextmanager
def listening() -> Iterator[Murderer]:
    with Murderer() as server:
        thread = threading.Thread(target=server.serve_forever)
        thread.start()
        try:
            yield server
        finally:
            server.shutdown()
            thread.join()


def test_the_message_comes_again_under_the_same_id(
    database: Database, hand: Hand, tmp_path: Path
) -> None:
    happen(database, START)
    with listening() as receiver:
        with database.write() as session:
            endpoint = session.get_one(WebhookEndpointRow, "we-a")
            endpoint.url = f"http://127.0.0.1:{receiver.server_port}/"
            session.add(endpoint)
        address = f"sqlite:///{tmp_path / 'steamround.sqlite'}"
        with subprocess.Popen([sys.executable, "-c", RELAY, address, START.isoformat()]) as relay:
            receiver.victim = relay.pid
        assert relay.returncode == -signal.SIGKILL

        survivor = Relay(database, Sender(tell_time=hand, loopback=True), tell_time=hand)
        assert survivor.run_until_idle() == 0  # it may still be at it, for all we know
        hand.turn(LEASE * 1.1)
        assert survivor.run_until_idle() == 1

    assert len(receiver.ids) == 2
    assert len(set(receiver.ids)) == 1
