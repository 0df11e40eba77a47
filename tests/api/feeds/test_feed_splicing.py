"""A calendar in which few events are written anew, beside the same one written whole."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from api.feeds.events import EventStatus, FeedEvent, events_in, render_calendar
from api.feeds.stamps import with_stamps
from scheduler.errors import InvalidInput
from tests.api.feeds.test_feed_events import BERLIN, DAY_START, feed_event

NOW = DAY_START + timedelta(hours=9)
# the hour that is repeated, the one that is skipped, times before and after the fixed years
STARTS = [
    datetime(2026, 10, 24, 23, 30, tzinfo=UTC),
    datetime(2026, 10, 25, 0, 30, tzinfo=UTC),
    datetime(2026, 10, 25, 1, 30, tzinfo=UTC),
    datetime(2027, 3, 28, 0, 45, tzinfo=UTC),
    datetime(2019, 12, 31, 23, 30, tzinfo=UTC),
    datetime(2051, 1, 1, 0, 30, tzinfo=UTC),
]

events = st.builds(
    feed_event,
    uid=st.sampled_from([*(f"{n}@x" for n in range(6)), "u" * 90 + "@x"]),
    start=st.sampled_from(STARTS),
    zone=st.sampled_from([BERLIN, "Asia/Tokyo", "America/Santiago", "UTC"]),
    summary=st.sampled_from(
        ["Visit", "BEGIN:VEVENT\r\nUID:0@x\r\nDTSTART:20200101T000000Z", "é" * 80]
    ),
    description=st.text(max_size=30),
    status=st.sampled_from(EventStatus),
    urgent=st.booleans(),
)
some_events = st.lists(events, max_size=7, unique_by=lambda event: event.uid)


@given(before=some_events, changed=some_events, gone=st.sets(st.sampled_from(range(6))))
def test_what_is_spliced_equals_what_is_written_whole(
    before: list[FeedEvent], changed: list[FeedEvent], gone: set[int]
) -> None:
    calendar = render_calendar("Inga Voss", before, BERLIN, day_start=DAY_START)
    found = events_in(calendar)
    assert list(found) == [e.uid for e in sorted(before, key=lambda e: (e.start, e.uid))]
    touched = {event.uid for event in changed} | {f"{n}@x" for n in gone}
    kept = {uid: octets for uid, octets in found.items() if uid not in touched}
    stamped = with_stamps(changed, found, day_start=DAY_START, now=NOW)

    spliced = render_calendar("Inga Voss", stamped, BERLIN, day_start=DAY_START, kept=kept)

    standing = [event for event in before if event.uid not in touched]
    whole = render_calendar("Inga Voss", [*standing, *stamped], BERLIN, day_start=DAY_START)
    assert spliced == whole


def test_an_event_is_not_written_beside_its_former_self() -> None:
    kept = events_in(render_calendar("x", [feed_event()], BERLIN, day_start=DAY_START))

    with pytest.raises(InvalidInput, match="each uid must occur once, got a1@"):
        render_calendar(
            "x", [replace(feed_event(), sequence=1)], BERLIN, day_start=DAY_START, kept=kept
        )
