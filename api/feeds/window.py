"""Which appointments a feed carries: recent, coming, and the cancelled ones for a few days more."""

from collections.abc import Iterable
from datetime import UTC, datetime, time, timedelta

from api.feeds.events import EventStatus, FeedEvent
from api.feeds.vtimezone import zone_of

PAST_DAYS = 60
COMING_DAYS = 180
TOMBSTONE_DAYS = 7
"""How long after its end a cancelled visit is still shown as cancelled; then it goes."""


def day_start(now: datetime, zone: str) -> datetime:
    """Return, in UTC, the midnight at which the day of ``now`` began in ``zone``."""
    local = zone_of(zone)
    return datetime.combine(now.astimezone(local).date(), time(), local).astimezone(UTC)


def within_window(events: Iterable[FeedEvent], *, day_start: datetime) -> list[FeedEvent]:
    """Return the events a feed written on the day that began at ``day_start`` carries.

    The bounds depend on the day alone, so that time passing changes a feed once a day at most.
    """
    earliest = day_start - timedelta(days=PAST_DAYS)
    latest = day_start + timedelta(days=COMING_DAYS)
    earliest_cancelled = day_start - timedelta(days=TOMBSTONE_DAYS)
    return [
        event
        for event in events
        if event.start < latest
        and event.end > (earliest_cancelled if event.status is EventStatus.CANCELLED else earliest)
    ]
