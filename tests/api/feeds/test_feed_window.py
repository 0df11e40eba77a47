from datetime import UTC, datetime, timedelta

from api.feeds.events import EventStatus, FeedEvent
from api.feeds.window import day_start, within_window

DAY_START = datetime(2026, 10, 24, 22, tzinfo=UTC)  # 2026-10-25 00:00 CEST


def feed_event(uid: str, days: float, status: EventStatus = EventStatus.CONFIRMED) -> FeedEvent:
    start = DAY_START + timedelta(days=days)
    return FeedEvent(
        uid=uid,
        start=start,
        end=start + timedelta(hours=1),
        zone="Europe/Berlin",
        summary="Visit",
        status=status,
        created=DAY_START,
        revised=DAY_START,
    )


def test_day_starts_at_local_midnight_on_the_day_of_a_clock_change() -> None:
    # Sunday 25 October 2026 has 25 hours in Berlin: from 24 October 22:00Z to 25 October 23:00Z.
    for now in ("2026-10-24T22:00:00+00:00", "2026-10-25T22:59:59+00:00"):
        assert day_start(datetime.fromisoformat(now), "Europe/Berlin") == DAY_START
    next_day = datetime(2026, 10, 25, 23, tzinfo=UTC)
    assert day_start(next_day, "Europe/Berlin") == next_day


def test_window_reaches_60_days_back_and_180_ahead_and_drops_old_cancellations() -> None:
    cancelled = EventStatus.CANCELLED
    events = [
        feed_event("too old", -60 - 1 / 24),
        feed_event("ends in the window", -60),
        feed_event("today", 0.5),
        feed_event("last", 179.9),
        feed_event("too far", 180),
        feed_event("cancelled long ago", -8, cancelled),
        feed_event("cancelled lately", -6, cancelled),
        feed_event("cancelled ahead", 20, cancelled),
    ]

    assert [event.uid for event in within_window(events, day_start=DAY_START)] == [
        "ends in the window",
        "today",
        "last",
        "cancelled lately",
        "cancelled ahead",
    ]
