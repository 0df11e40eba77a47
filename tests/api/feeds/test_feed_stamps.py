from dataclasses import replace
from datetime import UTC, datetime, timedelta

from api.feeds.events import FeedEvent, events_in, render_calendar
from api.feeds.stamps import with_stamps
from tests.api.feeds.test_feed_events import BERLIN, DAY_START, feed_event

NOW = datetime(2026, 10, 23, 12, 0, 0, 700_000, tzinfo=UTC)
SECOND = timedelta(seconds=1)


def written(*events: FeedEvent) -> bytes:
    return render_calendar("Inga Voss", events, BERLIN, day_start=DAY_START)


def stamped(event: FeedEvent, previous: bytes, now: datetime = NOW) -> FeedEvent:
    (found,) = with_stamps([event], events_in(previous), day_start=DAY_START, now=now)
    return found


def test_first_writing_keeps_the_stamp_of_the_appointment() -> None:
    assert stamped(feed_event(), b"") == feed_event()


def test_event_that_reads_as_before_keeps_its_stamp_whatever_the_row_says() -> None:
    touched = replace(feed_event(), revised=NOW.replace(microsecond=0))

    assert stamped(touched, written(feed_event())) == feed_event()


def test_event_that_reads_otherwise_is_stamped_now_though_its_row_is_old() -> None:
    changed = replace(feed_event(), description="The key hangs at the bakery.")

    assert stamped(changed, written(feed_event())) == replace(
        changed, revised=NOW.replace(microsecond=0)
    )


def test_second_change_within_a_second_is_stamped_a_second_later() -> None:
    once = stamped(replace(feed_event(), description="First"), written(feed_event()))
    twice = stamped(replace(once, description="Second"), written(once))

    assert twice.revised - once.revised == SECOND


def test_events_of_a_calendar_are_found_by_uid_folded_or_not() -> None:
    long_uid = "a" * 90 + "@steamround.example"
    events = [
        feed_event(),
        feed_event(uid=long_uid, urgent=True, summary="END:VEVENT\nBEGIN:VEVENT"),
    ]
    calendar = written(*events)

    found = events_in(calendar)

    assert set(found) == {"a1@steamround.example", long_uid}
    assert calendar.endswith(
        found["a1@steamround.example"] + found[long_uid] + b"END:VCALENDAR\r\n"
    )
