"""The README's portal, word for word, against the service as it is served.

A real server, the real clock job and relay, and a receiver of our own on this machine.
"""

import re
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import pytest
import uvicorn
from fastapi import FastAPI

from api.actions.keys import create_key
from api.auth import Role
from api.clock import Clock
from api.http.app import create_app
from api.http.context import present
from api.outbox.sending import Sender
from api.storage.database import Database
from api.storage.tables import ContractRow, TechnicianRow
from scheduler.catalogue import Catalogue
from tests.api.http.conftest import NOW, TEST
from tests.api.http.conftest import catalogue as catalogue
from tests.api.http.conftest import database as database
from tests.api.http.conftest import filled_file as filled_file

README = Path(__file__).parents[2] / "README.md"
DAWN = NOW - timedelta(hours=4)  # five in the morning in Bergen: the whole day lies ahead


def code_under(marker: str) -> str:
    """Return the block of Python under a marker of the README."""
    found = re.search(
        rf"<!-- {re.escape(marker)} -->\n```python\n(.*?)```", README.read_text(), re.S
    )
    assert found is not None, marker
    return found[1]


@pytest.fixture
def tell_time() -> Callable[[], datetime]:
    began = time.monotonic()
    return lambda: DAWN + timedelta(seconds=time.monotonic() - began)


@contextmanager
def served(app: FastAPI) -> Iterator[str]:
    """Serve an application on a free port and return its address."""
    server = uvicorn.Server(
        uvicorn.Config(app, port=0, log_level="warning", access_log=False, ws="none")
    )
    thread = threading.Thread(target=server.run)
    thread.start()
    while not server.started:
        time.sleep(0.01)
    try:
        yield f"http://127.0.0.1:{server.servers[0].sockets[0].getsockname()[1]}"
    finally:
        server.should_exit = True
        thread.join()


@contextmanager
def listening() -> Iterator[tuple[str, list[tuple[float, dict[str, str], bytes]]]]:
    """Receive webhooks; return the address, and what came when with which headers."""
    received: list[tuple[float, dict[str, str], bytes]] = []

    class Hook(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["content-length"]))
            headers = {name.lower(): value for name, value in self.headers.items()}
            received.append((time.monotonic(), headers, body))
            self.send_response(204)
            self.end_headers()

        def log_message(self, format: str, *args: Any) -> None:  # noqa: A002 - as in the base class
            """Say nothing."""

    server = ThreadingHTTPServer(("127.0.0.1", 0), Hook)
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_port}/steamround", received
    finally:
        server.shutdown()
        thread.join()
        server.server_close()


def test_a_portal_written_from_the_readme_does_its_errands_and_hears_of_each(
    database: Database, catalogue: Catalogue, tell_time: Callable[[], datetime]
) -> None:
    with database.write() as session:
        for each in ("t-a", "t-b"):
            session.get_one(TechnicianRow, each).skills = sorted(catalogue.skills)
        # a day to answer, so that there is another time to move to
        session.get_one(ContractRow, "k-a").response_minutes = {"danger": 480}
    _, key = create_key(database, name="p", role=Role.PORTAL, client="c-a", now=DAWN, origin=TEST)
    app = create_app(
        database, catalogue, public_url="https://plan.example.org", webhooks_to_loopback=True
    )
    app.dependency_overrides[present] = lambda: tell_time().replace(microsecond=0)
    clock = Clock(
        database,
        catalogue,
        tell_time=tell_time,
        jobs=(),
        sender=Sender(tell_time=tell_time, loopback=True),
    )
    errands = code_under("the portal's errands").replace('"E001"', '"E-a"')
    portal: dict[str, Any] = {"KEY": key}
    with listening() as (hook, received), served(app) as address:
        clock.start()
        try:
            portal |= {"ADDRESS": address, "HOOK": hook}
            exec(compile(errands, "README", "exec"), portal)
            finished = time.monotonic()
            while len(received) < 4 and time.monotonic() < finished + 10:
                time.sleep(0.02)
        finally:
            clock.stop()
            portal["portal"].close()

    (advice,) = portal["callback"]["make_safe"]
    assert advice.startswith("Leave the protective switch off: do not reset it again.")
    assert portal["offers"][0] != portal["offers"][-1]
    appointment = portal["cancelled"].json()
    assert appointment["state"] == "cancelled"
    ear: dict[str, Any] = {}
    exec(compile(code_under("the portal's ear"), "README", "exec"), ear)
    events = [
        ear["read_event"](headers, body, portal["secret"], tell_time().timestamp())
        for _, headers, body in received
    ]
    assert [(event["type"], event["data"].get("appointment")) for event in events] == [
        ("callback.taken", None),
        ("appointment.promised", appointment["id"]),
        ("appointment.moved", appointment["id"]),
        ("appointment.cancelled", appointment["id"]),
    ]
    assert {event["data"]["visit"] for event in events} == {portal["visit"]}
    assert [event["data"].get("arrive_from") for event in events[1:]] == [
        portal["offers"][0]["arrive_from"],
        portal["offers"][-1]["arrive_from"],
        portal["offers"][-1]["arrive_from"],
    ]
    assert received[-1][0] - finished < 2  # the first attempt, after the last commit


def test_the_readmes_receiver_believes_nothing_forged_or_old() -> None:
    ear: dict[str, Any] = {}
    exec(compile(code_under("the portal's ear"), "README", "exec"), ear)
    read_event = ear["read_event"]
    # signed once by OpenSSL: printf 'ev_1.1000.{}' | openssl dgst -sha256 -mac HMAC \
    #   -macopt hexkey:$(printf 'k%.0s' {1..32} | xxd -p -c 64) -binary | base64
    secret = "whsec_a2tra2tra2tra2tra2tra2tra2tra2tra2tra2tra2s="
    headers = {
        "webhook-id": "ev_1",
        "webhook-timestamp": "1000",
        "webhook-signature": "v1,CcyxbqQwhqAMmu4WLxNRf0al9TJ3OwnsLb0Phqsnuak=",
    }

    assert read_event(headers, b"{}", secret, 1000) == {}
    for changed, body, now in (
        (headers, b"[]", 1000),
        (headers, b"{}", 1301),
        (headers | {"webhook-timestamp": "1001"}, b"{}", 1000),
        (headers | {"webhook-id": "ev_2"}, b"{}", 1000),
        (headers | {"webhook-signature": "v1,"}, b"{}", 1000),
    ):
        with pytest.raises(ValueError, match=r"too old|not from"):
            read_event(changed, body, secret, now)
