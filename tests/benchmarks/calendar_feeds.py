"""How fast calendars are built and handed over, beside the plainest way of doing the same.

    python -m tests.benchmarks.calendar_feeds

Prints seconds to build a calendar of 2,000 events with this project's writer and with the
icalendar library, and requests per second of a route that decides by the request's headers beside
a bare Starlette route that returns the same bytes, both called in process without a network.
"""

import asyncio
import time
from collections.abc import Callable, MutableMapping
from datetime import UTC, datetime, timedelta
from typing import Any, Literal, cast

import icalendar
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from api.feeds.delivery import feed_reply, joined_fields, store_form
from api.feeds.events import FeedEvent, render_calendar

EVENTS = 2_000
REQUESTS = 3_000
START = datetime(2026, 10, 1, 6, tzinfo=UTC)
DESCRIPTION = "\n".join(f"{n}. Open, clean, measure; close again (10 min)" for n in range(1, 9))


def events(revision: int = 0) -> list[FeedEvent]:
    return [
        FeedEvent(
            uid=f"{n}@steamround.example",
            start=START + timedelta(hours=n),
            end=START + timedelta(hours=n, minutes=50),
            zone="Europe/Berlin",
            summary=f"Café Möwe {n}, Husum: steam valve + 2 more",
            description=DESCRIPTION,
            location="Café Möwe, Hafenstr. 3, 25813 Husum",
            lat_lon=(54.4764, 9.0511),
            url=f"https://steamround.example/worksheets/{n}",
            created=START,
            revised=START + timedelta(seconds=revision),
            categories=("Upkeep",),
        )
        for n in range(EVENTS)
    ]


def built_by_icalendar(wanted: list[FeedEvent]) -> bytes:
    calendar = icalendar.Calendar()
    calendar.add("prodid", "-//Benchmark//EN")
    calendar.add("version", "2.0")
    for event in wanted:
        component = icalendar.Event()
        component.add("uid", event.uid)
        component.add("dtstamp", event.revised)
        component.add("created", event.created)
        component.add("last-modified", event.revised)
        component.add("sequence", event.sequence)
        component.add("dtstart", event.start)
        component.add("dtend", event.end)
        component.add("status", "CONFIRMED")
        component.add("transp", "OPAQUE")
        component.add("summary", event.summary)
        component.add("location", event.location)
        component.add("geo", event.lat_lon)
        component.add("description", event.description)
        component.add("url", event.url)
        component.add("categories", list(event.categories))
        calendar.add_component(component)
    return calendar.to_ical()


def seconds(work: Callable[[list[FeedEvent]], object], times: int = 3) -> float:
    """Fastest of a few runs, each with events never written before: written ones are at hand."""
    taken = []
    for revision in range(times):
        wanted = events(revision)
        begin = time.perf_counter()
        work(wanted)
        taken.append(time.perf_counter() - begin)
    return min(taken)


async def requests_per_second(app: Starlette, path: str, headers: dict[str, str]) -> float:
    scope = {
        "type": "http",
        "http_version": "1.1",
        "method": "GET",
        "path": path,
        "raw_path": path.encode(),
        "query_string": b"",
        "headers": [(name.encode(), value.encode()) for name, value in headers.items()],
    }

    async def receive() -> MutableMapping[str, Any]:
        return {"type": "http.request", "body": b"", "more_body": False}

    async def send(_: MutableMapping[str, Any]) -> None:
        pass

    begin = time.perf_counter()
    for _ in range(REQUESTS):
        await app(dict(scope), receive, send)
    return REQUESTS / (time.perf_counter() - begin)


def main() -> None:
    ours = seconds(
        lambda wanted: render_calendar("Inga Voss", wanted, "Europe/Berlin", day_start=START)
    )
    theirs = seconds(built_by_icalendar)
    print(
        f"building {EVENTS} events: {ours:.3f} s; icalendar {theirs:.3f} s; {ours / theirs:.2f} ×"
    )

    feed = store_form(
        render_calendar("Inga Voss", events(), "Europe/Berlin", day_start=START), now=START
    )

    async def decided(request: Request) -> Response:
        reply = feed_reply(
            feed,
            file_name="inga-voss.ics",
            method=cast(Literal["GET", "HEAD"], request.method),
            headers=joined_fields(request.headers.items()),
        )
        return Response(reply.body, status_code=reply.status, headers=dict(reply.headers))

    async def bare_200(_: Request) -> Response:
        return Response(feed.body, media_type="text/calendar")

    async def bare_304(_: Request) -> Response:
        return Response(status_code=304)

    app = Starlette(
        routes=[
            Route("/feed", decided, methods=["GET", "HEAD"]),
            Route("/bare200", bare_200),
            Route("/bare304", bare_304),
        ]
    )
    for status, headers in ((200, {}), (304, {"if-none-match": feed.etag})):
        # In turns, so that a busy moment of the computer strikes both.
        pairs = [
            (
                asyncio.run(requests_per_second(app, "/feed", headers)),
                asyncio.run(requests_per_second(app, f"/bare{status}", headers)),
            )
            for _ in range(3)
        ]
        decided_rate, bare_rate = (max(rates) for rates in zip(*pairs, strict=True))
        print(
            f"{status}: {decided_rate:.0f} requests/s, bare route {bare_rate:.0f}; "
            f"{decided_rate / bare_rate:.2f} ×"
        )


if __name__ == "__main__":
    main()
