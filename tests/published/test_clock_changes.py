"""Clock changes against the zone database (IANA tzdata, as published in its `europe`,
`australasia` and `asia` files) and against python-dateutil's own reading of it."""

from datetime import UTC, datetime

import pytest
from dateutil import tz
from hypothesis import given
from hypothesis import strategies as st

from scheduler.working_time import instant_at

ZONES = ("Europe/Berlin", "Australia/Lord_Howe", "America/Santiago", "Asia/Kathmandu")


def utc(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


@pytest.mark.parametrize(
    ("zone", "local", "first", "second"),
    [
        # Berlin: 29 March 2026 01:00Z, 01:59+01 -> 03:00+02; 25 October 2026 01:00Z back again
        ("Europe/Berlin", "2026-03-29T01:59", "2026-03-29T00:59", "2026-03-29T00:59"),
        ("Europe/Berlin", "2026-03-29T02:15", "2026-03-29T01:00", "2026-03-29T01:00"),
        ("Europe/Berlin", "2026-03-29T03:00", "2026-03-29T01:00", "2026-03-29T01:00"),
        ("Europe/Berlin", "2026-10-25T02:59", "2026-10-25T00:59", "2026-10-25T01:59"),
        ("Europe/Berlin", "2026-10-25T02:00", "2026-10-25T00:00", "2026-10-25T01:00"),
        # Lord Howe Island moves by half an hour: +10:30 in winter, +11:00 in summer
        ("Australia/Lord_Howe", "2026-07-01T12:00", "2026-07-01T01:30", "2026-07-01T01:30"),
        ("Australia/Lord_Howe", "2026-01-01T12:00", "2026-01-01T01:00", "2026-01-01T01:00"),
        ("Australia/Lord_Howe", "2026-10-04T02:10", "2026-10-03T15:30", "2026-10-03T15:30"),
        # Kathmandu: +05:45, no changes
        ("Asia/Kathmandu", "2026-07-01T12:00", "2026-07-01T06:15", "2026-07-01T06:15"),
        # Samoa had no 30 December 2011: it jumped at 10:00Z
        ("Pacific/Apia", "2011-12-30T15:00", "2011-12-30T10:00", "2011-12-30T10:00"),
    ],
)
def test_known_changes(zone: str, local: str, first: str, second: str) -> None:
    wall = datetime.fromisoformat(local)
    assert (instant_at(wall, zone, "first"), instant_at(wall, zone, "second")) == (
        utc(first),
        utc(second),
    )


@given(
    st.datetimes(datetime.fromisoformat("2015-01-01"), datetime.fromisoformat("2030-12-31")),
    st.sampled_from(ZONES),
)
def test_existing_times_equal_dateutil(wall: datetime, zone: str) -> None:
    theirs = wall.replace(tzinfo=tz.gettz(zone))
    if tz.datetime_exists(theirs):
        assert instant_at(wall, zone, "first") == theirs.astimezone(UTC)
        assert instant_at(wall, zone, "second") == tz.enfold(theirs).astimezone(UTC)
