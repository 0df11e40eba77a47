"""When an event last changed in the calendar that shows it.

One appointment stands in several calendars that tell different things about it. A calendar must
not say that an event was revised when nothing in it reads differently, nor keep silent about a
change that did not begin with the appointment (a new telephone number at the site, say). So the
stamp of an event is judged by what the calendar said before.
"""

import re
from collections.abc import Iterable, Mapping
from dataclasses import replace
from datetime import UTC, datetime, timedelta

from api.feeds.events import FeedEvent, event_octets

# A text that says the same does so behind the name of its property or a blank.
_STAMP = re.compile(rb"^LAST-MODIFIED:(\d{8}T\d{6}Z)\r\n", re.MULTILINE)


def with_stamps(
    events: Iterable[FeedEvent], before: Mapping[str, bytes], *, day_start: datetime, now: datetime
) -> list[FeedEvent]:
    """Return events stamped by when they last changed in this calendar.

    Parameters
    ----------
    before
        The events of the calendar as it was last written, from `events_in`.
    day_start
        As `render_calendar` will be given.
    now
        UTC: the stamp of what reads differently now. A second change within one second is
        stamped a second later, so that the two differ.
    """
    return [_stamped(event, before.get(event.uid), day_start, now) for event in events]


def _stamped(
    event: FeedEvent, before: bytes | None, day_start: datetime, now: datetime
) -> FeedEvent:
    stamp = _STAMP.search(before) if before is not None else None
    if stamp is None:
        return event
    last = datetime.strptime(stamp[1].decode(), "%Y%m%dT%H%M%SZ").replace(tzinfo=UTC)
    unchanged = event if event.revised == last else replace(event, revised=last)
    if event_octets(unchanged, day_start=day_start) == before:
        return unchanged
    return replace(event, revised=max(now.replace(microsecond=0), last + timedelta(seconds=1)))
