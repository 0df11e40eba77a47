"""A calendar with all that readers stumble over, and what each of them should see in it."""

from datetime import UTC, datetime, timedelta
from typing import Any

from api.feeds.calendar_text import clean_text, one_line
from api.feeds.events import EventStatus, FeedEvent
from tests.published.calendar_readers import Seen

BERLIN = "Europe/Berlin"
DAY_START = datetime(2026, 10, 20, 22, tzinfo=UTC)


def feed_event(number: int, start: datetime, summary: str, **others: Any) -> FeedEvent:
    values: dict[str, Any] = {
        "uid": f"visit-{number:02d}@steamround.example",
        "start": start,
        "end": start + timedelta(minutes=90),
        "zone": BERLIN,
        "summary": summary,
        "created": datetime(2026, 10, 1, 8, tzinfo=UTC),
        "revised": datetime(2026, 10, 2, 9, 30, 15, tzinfo=UTC),
        **others,
    }
    return FeedEvent(**values)


EVENTS = (
    feed_event(
        1,
        datetime(2026, 10, 24, 7, tzinfo=UTC),
        "Café Möwe, Husum: steam valve + 2 more",
        location="Café Möwe, Hafenstraße 3; Eingang B, 25813 Husum",
        description="Order of work\n1. Shut down; cool\n2. C:\\new \\, \\; \\n stay as they are",
        lat_lon=(54.4764, 9.0511),
        url="https://steamround.example/worksheets/1",
        categories=("Upkeep", "Steam, valves"),
    ),
    feed_event(2, datetime(2026, 10, 24, 23, 30, tzinfo=UTC), "Ends inside the repeated hour"),
    feed_event(3, datetime(2026, 10, 25, 0, 30, tzinfo=UTC), "Begins in the first 02:30"),
    feed_event(4, datetime(2026, 10, 25, 1, 30, tzinfo=UTC), "Begins in the second 02:30"),
    feed_event(
        5,
        datetime(2026, 10, 24, 22, tzinfo=UTC),
        "Spans the repeated hour",
        end=datetime(2026, 10, 25, 4, tzinfo=UTC),
    ),
    feed_event(
        6,
        datetime(2026, 10, 26, 8, tzinfo=UTC),
        "Moved: Bäckerei Sonne",
        sequence=1,
        description="Moved from Fri 23 Oct 2026 09:00.",
    ),
    feed_event(
        7,
        datetime(2026, 10, 27, 8, tzinfo=UTC),
        "Cancelled: Hotel Krone",
        status=EventStatus.CANCELLED,
        sequence=1,
        urgent=True,
    ),
    feed_event(
        8,
        datetime(2026, 10, 27, 12, tzinfo=UTC),
        "Handed over: Bar Nord",
        status=EventStatus.CANCELLED,
        sequence=2,
    ),
    feed_event(
        9,
        datetime(2027, 3, 28, 0, 30, tzinfo=UTC),
        "Urgent: spans the hour that is skipped",
        urgent=True,
    ),
    feed_event(
        10,
        datetime(2027, 7, 1, 7, tzinfo=UTC),
        "कॉफ़ी क़हवा قهوة コーヒー ☕ 👩🏽‍🔧 " + "ä" * 50,
        description="ß" * 37 + "😀" * 60 + "\r\n" + "长" * 90 + "\rone\x0btwo\x00\u2028three",
        location="شارع القهوة ١٢, Αθήνα",
        zone="America/Nuuk",
    ),
    feed_event(11, datetime(2027, 1, 15, 14, tzinfo=UTC), "Jerusalem", zone="Asia/Jerusalem"),
    feed_event(12, datetime(2027, 3, 26, 14, tzinfo=UTC), "Jerusalem", zone="Asia/Jerusalem"),
    feed_event(13, datetime(2027, 4, 4, 14, tzinfo=UTC), "Santiago", zone="America/Santiago"),
    feed_event(14, datetime(2027, 9, 5, 14, tzinfo=UTC), "Santiago", zone="America/Santiago"),
)


def expected(event: FeedEvent) -> Seen:
    return Seen(
        uid=event.uid,
        start=event.start,
        end=event.end,
        summary=one_line(event.summary),
        location=one_line(event.location),
        description=clean_text(event.description),
        status=event.status,
    )
