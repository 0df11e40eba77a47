"""A published feed in the hands of whole calendar programs: calcurse, vdirsyncer and khal."""

import os
import re
import shutil
import subprocess
import threading
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest

from api.feeds.calendar_text import one_line
from api.feeds.delivery import StoredFeed, feed_reply, joined_fields, store_form
from api.feeds.events import render_calendar
from tests.published.calendar_clients import CalendarClient
from tests.published.calendar_sample import BERLIN, DAY_START, EVENTS

# 10/24/2026 @ 07:00 -> 10/24/2026 @ 08:30>hash of its note |summary, "!" instead of "|" with alarm
CALCURSE_LINE = re.compile(r"^(\S+ @ \S+ -> \S+ @ [\d:]+)(?:>\w+ )?[|!](.*)$", re.MULTILINE)


@pytest.mark.skipif(shutil.which("calcurse") is None, reason="calcurse is not installed")
def test_calcurse_imports_every_event(tmp_path: Path) -> None:
    feed = tmp_path / "feed.ics"
    feed.write_bytes(render_calendar("Jörg Ünal", EVENTS, BERLIN, day_start=DAY_START))
    subprocess.run(
        ["calcurse", "-D", tmp_path, "-C", tmp_path, "-q", "-i", feed],
        env={**os.environ, "TZ": "UTC", "LC_ALL": "C.UTF-8"},
        capture_output=True,
        check=True,
        timeout=60,
    )
    seen = CALCURSE_LINE.findall((tmp_path / "apts").read_text())

    assert sorted(seen) == sorted(
        (f"{event.start:%m/%d/%Y @ %H:%M} -> {event.end:%m/%d/%Y @ %H:%M}", one_line(event.summary))
        for event in EVENTS
    )


class FeedServer(ThreadingHTTPServer):
    """Serves one feed, whatever the path, and remembers the status of each answer."""

    feed: StoredFeed
    statuses: list[int]


class _Handler(BaseHTTPRequestHandler):
    server: FeedServer

    def do_GET(self) -> None:
        reply = feed_reply(
            self.server.feed,
            file_name="joerg-uenal.ics",
            method="GET",
            headers=joined_fields(self.headers.items()),
        )
        self.server.statuses.append(reply.status)
        self.send_response(reply.status)
        for name, value in reply.headers:
            self.send_header(name, value)
        self.end_headers()
        self.wfile.write(reply.body)

    def log_message(self, *_: object) -> None:
        pass


@pytest.fixture
def feed_server() -> Iterator[FeedServer]:
    server = FeedServer(("127.0.0.1", 0), _Handler)
    server.statuses = []
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    yield server
    server.shutdown()
    thread.join()
    server.server_close()


def test_vdirsyncer_and_khal_follow_a_feed_across_the_clock_changes(
    feed_server: FeedServer, tmp_path: Path
) -> None:
    berlin = [event for event in EVENTS if event.zone == BERLIN]
    first = render_calendar("Jörg Ünal", berlin, BERLIN, day_start=DAY_START)
    feed_server.feed = store_form(first, now=DAY_START)
    port = feed_server.server_address[1]
    address = f"http://127.0.0.1:{port}/feeds/secret/joerg-uenal.ics"
    client = CalendarClient(tmp_path / "client", address, BERLIN)
    client.sync()

    # Clocks go back on 2026-10-25 at 03:00 CEST and forward on 2027-03-28 at 02:00 CET, so
    # 2026-10-24 07:00Z is 09:00, 2026-10-26 08:00Z is 09:00, 2027-03-28 00:30Z to 02:00Z is
    # 01:30 to 04:00.
    assert client.listing("2026-10-24", 157) == [
        "2026-10-24 09:00 10:30 CONFIRMED Café Möwe, Husum: steam valve + 2 more",
        "2026-10-25 00:00 05:00 CONFIRMED Spans the repeated hour",
        "2026-10-25 01:30 02:00 CONFIRMED Ends inside the repeated hour",
        "2026-10-25 02:30 03:00 CONFIRMED Begins in the first 02:30",
        "2026-10-25 02:30 04:00 CONFIRMED Begins in the second 02:30",
        "2026-10-26 09:00 10:30 CONFIRMED Moved: Bäckerei Sonne",
        "2026-10-27 09:00 10:30 CANCELLED Cancelled: Hotel Krone",
        "2026-10-27 13:00 14:30 CANCELLED Handed over: Bar Nord",
        "2027-03-28 01:30 04:00 CONFIRMED Urgent: spans the hour that is skipped",
    ]

    moved = replace(
        berlin[0],
        start=datetime(2027, 3, 29, 7, tzinfo=UTC),  # 09:00 CEST
        end=datetime(2027, 3, 29, 8, tzinfo=UTC),
        summary="Moved: Café Möwe",
        sequence=1,
        revised=datetime(2026, 10, 21, 6, tzinfo=UTC),
    )
    second = render_calendar("Jörg Ünal", [moved, *berlin[5:]], BERLIN, day_start=DAY_START)
    feed_server.feed = store_form(second, now=DAY_START, previous=feed_server.feed)
    client.sync()

    assert client.listing("2026-10-24", 157) == [
        "2026-10-26 09:00 10:30 CONFIRMED Moved: Bäckerei Sonne",
        "2026-10-27 09:00 10:30 CANCELLED Cancelled: Hotel Krone",
        "2026-10-27 13:00 14:30 CANCELLED Handed over: Bar Nord",
        "2027-03-28 01:30 04:00 CONFIRMED Urgent: spans the hour that is skipped",
        "2027-03-29 09:00 10:00 CONFIRMED Moved: Café Möwe",
    ]
    assert set(feed_server.statuses) == {200}
