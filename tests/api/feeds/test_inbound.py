"""Hostile and damaged calendars: refused, in bounded time and memory, with a reason."""

import resource
import time
from datetime import UTC, datetime

import pytest

from api.feeds.absences import Absences, Skipped
from api.feeds.inbound import ReadingLimits, read_absences
from scheduler.errors import UnknownZone, UnreadableCalendar
from scheduler.intervals import Interval, IntervalSet

HORIZON = Interval(start=datetime(2026, 10, 1, tzinfo=UTC), end=datetime(2026, 12, 1, tzinfo=UTC))
LIMITS = ReadingLimits()


def calendar(*lines: str) -> bytes:
    head = ("BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//Tests//EN")
    return "\r\n".join([*head, *lines, "END:VCALENDAR", ""]).encode()


def event(*lines: str) -> str:
    return "\r\n".join(("BEGIN:VEVENT", "UID:e1", *lines, "END:VEVENT"))


def read(octets: bytes, limits: ReadingLimits = LIMITS) -> Absences:
    return read_absences(octets, zone="Europe/Berlin", horizon=HORIZON, limits=limits)


def test_calendar_is_read_in_another_process() -> None:
    octets = calendar(
        event("DTSTART:20261005T080000Z", "DURATION:PT1H"),
        event("DTSTART:20261005T080000Z", "RRULE:FREQ=MINUTELY").replace("e1", "e2"),
        event("DTSTART:20261006T080000Z", "DURATION:PT1H", "STATUS:TENTATIVE").replace("e1", "e3"),
    )

    assert read(b"\xef\xbb\xbf" + octets) == Absences(
        away=IntervalSet.between(
            datetime(2026, 10, 5, 8, tzinfo=UTC), datetime(2026, 10, 5, 9, tzinfo=UTC)
        ),
        perhaps=IntervalSet.between(
            datetime(2026, 10, 6, 8, tzinfo=UTC), datetime(2026, 10, 6, 9, tzinfo=UTC)
        ),
        skipped=(
            Skipped(component="VEVENT", uid="e2", reason="it recurs minutely; daily is the most"),
        ),
    )


def test_two_files_may_mean_different_zones_by_one_name() -> None:
    def with_zone(offset: str) -> bytes:
        return calendar(
            "BEGIN:VTIMEZONE",
            "TZID:My Zone",
            "BEGIN:STANDARD",
            "DTSTART:19700101T000000",
            f"TZOFFSETFROM:{offset}",
            f"TZOFFSETTO:{offset}",
            "END:STANDARD",
            "END:VTIMEZONE",
            event("DTSTART;TZID=My Zone:20261005T120000", "DURATION:PT1H"),
        )

    starts = [read(with_zone(offset)).away.intervals[0].start for offset in ("+0100", "+0500")]

    assert [start.hour for start in starts] == [11, 7]


EVERY = {
    "BYHOUR": ",".join(map(str, range(24))),
    "BYMINUTE": ",".join(map(str, range(60))),
    "BYSECOND": ",".join(map(str, range(60))),
}
EVERY_SECOND = "RRULE:FREQ=DAILY;" + ";".join(f"{part}={values}" for part, values in EVERY.items())


@pytest.mark.parametrize(
    ("octets", "code", "message"),
    [
        pytest.param(
            b"BEGIN:VCALENDAR\r\n" + b"x" * 50_000_000,
            "too_large",
            "a calendar may have 1048576 octets at most",
            id="50 MB",
        ),
        pytest.param(
            b"<html>Please log in</html>",
            "not_a_calendar",
            "the file does not begin with BEGIN:VCALENDAR",
            id="web page",
        ),
        pytest.param(
            b"", "not_a_calendar", "the file does not begin with BEGIN:VCALENDAR", id="empty"
        ),
        pytest.param(
            calendar("X-NAME:caf\xe9").decode().encode("latin-1"),
            "not_utf8",
            "the calendar is not in UTF-8",
            id="Latin-1",
        ),
        pytest.param(
            calendar(*["BEGIN:VEVENT"] * 10, *["END:VEVENT"] * 10),
            "too_deep",
            "components may be nested 4 deep at most",
            id="nested",
        ),
        pytest.param(
            calendar(*[event()] * 5_000),
            "too_many",
            "a calendar may have 5000 components at most",
            id="many components",
        ),
        pytest.param(
            calendar("X-NAME:" + "x" * 60_000 + "\r\n " + "x" * 6_000),
            "line_too_long",
            "a line may have 65536 octets at most",
            id="long folded line",
        ),
        pytest.param(
            calendar(event("DTSTART:20261005T080000Z")).removesuffix(b"END:VCALENDAR\r\n"),
            "broken_off",
            "the calendar breaks off before its end",
            id="broken off",
        ),
        pytest.param(
            calendar("BEGIN:VEVENT"),
            "broken_off",
            "the calendar's BEGIN and END do not match",
            id="unbalanced",
        ),
        pytest.param(
            calendar("no content line"),
            "gave_up",
            "the calendar needs more time or memory than is allowed, or is damaged",
            id="damaged line",
        ),
    ],
)
def test_calendar_is_refused(octets: bytes, code: str, message: str) -> None:
    with pytest.raises(UnreadableCalendar) as refusal:
        read(octets)

    assert (refusal.value.code, str(refusal.value)) == (code, message)


def test_reader_that_takes_too_long_is_killed() -> None:
    octets = calendar(event("DTSTART:19700105T000000Z", "DURATION:PT1S", EVERY_SECOND))
    begin = time.monotonic()

    with pytest.raises(UnreadableCalendar) as refusal:
        read(octets, ReadingLimits(seconds=1.5))

    assert (refusal.value.code, str(refusal.value)) == (
        "took_too_long",
        "the calendar could not be read within 1.5 seconds",
    )
    assert time.monotonic() - begin < 10


def test_long_count_costs_no_more_than_the_horizon() -> None:
    octets = calendar(
        event("DTSTART:20260101T080000Z", "DURATION:PT1H", "RRULE:FREQ=DAILY;COUNT=1000000000")
    )

    assert len(read(octets).away) == 61  # October has 31 days, November 30


def test_memory_of_the_reader_is_bounded() -> None:
    # The program alone takes some 20 MiB, so nothing can be added to it.
    octets = calendar(*[event("DTSTART:20261005T080000Z", "DURATION:PT1H")] * 4_000)

    with pytest.raises(UnreadableCalendar) as refusal:
        read(octets, ReadingLimits(memory_octets=16 * 1024 * 1024))

    assert refusal.value.code == "gave_up"


def test_processor_time_of_the_reader_is_bounded() -> None:
    octets = calendar(event("DTSTART:19700105T000000Z", "DURATION:PT1S", EVERY_SECOND))
    before = resource.getrusage(resource.RUSAGE_CHILDREN)

    with pytest.raises(UnreadableCalendar) as refusal:
        read(octets, ReadingLimits(processor_seconds=1, seconds=30))

    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    assert refusal.value.code == "gave_up"
    assert after.ru_utime - before.ru_utime < 3


def test_unknown_zone_of_the_person_is_not_the_calendars_fault() -> None:
    with pytest.raises(UnknownZone) as refusal:
        read_absences(calendar(), zone="Berlin", horizon=HORIZON)

    assert refusal.value.key == "Berlin"
