"""What of a calendar from outside counts as being away."""

from datetime import UTC, datetime

import pytest

from api.feeds.absences import Absences, Skipped, absences_in
from scheduler.intervals import Interval, IntervalSet

HORIZON = Interval(start=datetime(2026, 10, 1, tzinfo=UTC), end=datetime(2026, 12, 1, tzinfo=UTC))


def calendar(*lines: str) -> bytes:
    head = ("BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//Tests//EN")
    return "\r\n".join([*head, *lines, "END:VCALENDAR", ""]).encode()


def event(*lines: str) -> tuple[str, ...]:
    return ("BEGIN:VEVENT", "UID:e1", "DTSTAMP:20260901T000000Z", *lines, "END:VEVENT")


def spans(*pairs: str) -> IntervalSet[datetime]:
    """``"2026-10-05T08 2026-10-05T09"`` is the hour from 08:00 UTC."""
    return IntervalSet.of(
        Interval(start=_utc(start), end=_utc(end)) for start, end in map(str.split, pairs)
    )


def _utc(text: str) -> datetime:
    return datetime.strptime(text, "%Y-%m-%dT%H" if len(text) == 13 else "%Y-%m-%dT%H:%M").replace(
        tzinfo=UTC
    )


def read(*lines: str) -> Absences:
    return absences_in(calendar(*lines), zone="Europe/Berlin", horizon=HORIZON)


def away(*pairs: str) -> Absences:
    return Absences(away=spans(*pairs), perhaps=IntervalSet(), skipped=())


# Berlin is 2 h ahead of UTC until 2026-10-25 01:00Z, then 1 h.
@pytest.mark.parametrize(
    ("lines", "expected"),
    [
        pytest.param(
            ("DTSTART:20261005T080000Z", "DTEND:20261005T093000Z"),
            ("2026-10-05T08 2026-10-05T09:30",),
            id="utc",
        ),
        pytest.param(
            ("DTSTART;TZID=America/New_York:20261005T080000", "DURATION:PT1H"),
            ("2026-10-05T12 2026-10-05T13",),
            id="zone",
        ),
        pytest.param(
            ("DTSTART;TZID=W. Europe Standard Time:20261005T080000", "DURATION:PT1H"),
            ("2026-10-05T06 2026-10-05T07",),
            id="zone as Windows names it",
        ),
        pytest.param(
            ("DTSTART:20261005T080000", "DURATION:PT1H"),
            ("2026-10-05T06 2026-10-05T07",),
            id="floating time is the person's",
        ),
        pytest.param(
            ("DTSTART;VALUE=DATE:20261024", "DTEND;VALUE=DATE:20261026"),
            ("2026-10-23T22 2026-10-25T23",),
            id="two whole days, one of 25 hours; the end day is not in it",
        ),
        pytest.param(
            ("DTSTART;VALUE=DATE:20261025",),
            ("2026-10-24T22 2026-10-25T23",),
            id="a day without an end is that day",
        ),
        pytest.param(("DTSTART:20261005T080000Z",), (), id="a time without an end is no time"),
        pytest.param(
            ("DTSTART:20261005T080000Z", "DURATION:PT1H", "TRANSP:TRANSPARENT"), (), id="free"
        ),
        pytest.param(
            ("DTSTART:20261005T080000Z", "DURATION:PT1H", "STATUS:CANCELLED"), (), id="cancelled"
        ),
        pytest.param(
            ("DTSTART:20260930T230000Z", "DURATION:PT2H"),
            ("2026-10-01T00 2026-10-01T01",),
            id="cut at the start of the horizon",
        ),
        pytest.param(
            (
                "DTSTART;TZID=Europe/Berlin:20261019T090000",
                "DTEND;TZID=Europe/Berlin:20261019T100000",
                "RRULE:FREQ=WEEKLY;UNTIL=20261102T080000Z",
                "EXDATE;TZID=Europe/Berlin:20261026T090000",
                "RDATE;TZID=Europe/Berlin:20261104T150000",
            ),
            (
                "2026-10-19T07 2026-10-19T08",
                "2026-11-02T08 2026-11-02T09",
                "2026-11-04T14 2026-11-04T15",
            ),
            id="weekly at nine on the wall, across the clock change, last one included",
        ),
        pytest.param(
            ("DTSTART;VALUE=DATE:20261024", "RRULE:FREQ=DAILY;UNTIL=20261025"),
            ("2026-10-23T22 2026-10-25T23",),
            id="whole days recur as whole days",
        ),
        pytest.param(
            ("DTSTART:20200101T080000Z", "DURATION:PT1H", "RRULE:FREQ=YEARLY;COUNT=3"),
            (),
            id="a count is spent before the horizon",
        ),
        pytest.param(
            ("DTSTART;TZID=Europe/Berlin:20261025T023000", "DURATION:PT1H"),
            ("2026-10-25T00:30 2026-10-25T01:30",),
            id="in the repeated hour the first is meant (RFC 5545 section 3.3.5)",
        ),
    ],
)
def test_event_blocks(lines: tuple[str, ...], expected: tuple[str, ...]) -> None:
    assert read(*event(*lines)) == away(*expected)


def test_tentative_event_blocks_softly_and_not_where_it_is_certain() -> None:
    first = event("DTSTART:20261005T080000Z", "DURATION:PT3H", "STATUS:TENTATIVE")
    second = [
        line.replace("e1", "e2") for line in event("DTSTART:20261005T090000Z", "DURATION:PT1H")
    ]

    assert read(*first, *second) == Absences(
        away=spans("2026-10-05T09 2026-10-05T10"),
        perhaps=spans("2026-10-05T08 2026-10-05T09", "2026-10-05T10 2026-10-05T11"),
        skipped=(),
    )


SERIES = event("DTSTART:20261005T080000Z", "DURATION:PT1H", "RRULE:FREQ=DAILY;COUNT=3")


@pytest.mark.parametrize(
    ("single", "expected"),
    [
        (
            ("DTSTART:20261006T150000Z", "DURATION:PT2H"),
            ("2026-10-05T08 2026-10-05T09", "2026-10-06T15 2026-10-06T17",
             "2026-10-07T08 2026-10-07T09"),
        ),
        (
            ("DTSTART:20261006T080000Z", "DURATION:PT1H", "STATUS:CANCELLED"),
            ("2026-10-05T08 2026-10-05T09", "2026-10-07T08 2026-10-07T09"),
        ),
        (
            ("DTSTART:20270106T080000Z", "DURATION:PT1H"),
            ("2026-10-05T08 2026-10-05T09", "2026-10-07T08 2026-10-07T09"),
        ),
    ],
)  # fmt: skip
@pytest.mark.parametrize("single_first", [True, False])
def test_single_occurrence_replaces_that_of_the_series(
    single: tuple[str, ...], expected: tuple[str, ...], single_first: bool
) -> None:
    changed = event("RECURRENCE-ID:20261006T080000Z", *single)
    lines = [*changed, *SERIES] if single_first else [*SERIES, *changed]

    assert read(*lines) == away(*expected)


def test_highest_sequence_wins_then_latest_stamp() -> None:
    old = event("SEQUENCE:1", "DTSTART:20261005T080000Z", "DURATION:PT1H")
    new = event("SEQUENCE:2", "DTSTART:20261007T080000Z", "DURATION:PT1H")
    newer = [
        line.replace("20260901", "20260902")
        for line in event("SEQUENCE:2", "DTSTART:20261008T080000Z", "DURATION:PT1H")
    ]

    assert read(*newer, *new, *old) == away("2026-10-08T08 2026-10-08T09")


def test_free_busy_periods_block_by_their_kind() -> None:
    assert read(
        "BEGIN:VFREEBUSY",
        "UID:f1",
        "DTSTAMP:20260901T000000Z",
        "FREEBUSY:20261005T080000Z/20261005T090000Z,20261006T080000Z/PT30M",
        "FREEBUSY;FBTYPE=BUSY-UNAVAILABLE:20261007T080000Z/PT1H",
        "FREEBUSY;FBTYPE=BUSY-TENTATIVE:20261008T080000Z/PT1H",
        "FREEBUSY;FBTYPE=FREE:20261009T080000Z/PT1H",
        "END:VFREEBUSY",
    ) == Absences(
        away=spans(
            "2026-10-05T08 2026-10-05T09",
            "2026-10-06T08 2026-10-06T08:30",
            "2026-10-07T08 2026-10-07T09",
        ),
        perhaps=spans("2026-10-08T08 2026-10-08T09"),
        skipped=(),
    )


def availability(*lines: str, free: tuple[str, ...]) -> tuple[str, ...]:
    return (
        "BEGIN:VAVAILABILITY",
        "UID:v1",
        "DTSTAMP:20260901T000000Z",
        *lines,
        "BEGIN:AVAILABLE",
        "UID:a1",
        "DTSTAMP:20260901T000000Z",
        *free,
        "END:AVAILABLE",
        "END:VAVAILABILITY",
    )


MORNINGS = (
    "DTSTART;TZID=Europe/Berlin:20261023T080000",
    "DTEND;TZID=Europe/Berlin:20261023T120000",
    "RRULE:FREQ=DAILY",
)


def test_time_outside_stated_availability_is_blocked_on_the_wall_clock() -> None:
    # Available 08:00 to 12:00 in Berlin: 06 to 10 UTC on Saturday 24th, 07 to 11 on Sunday 25th.
    assert read(
        *availability(
            "DTSTART:20261024T000000Z", "DTEND:20261026T000000Z", free=MORNINGS
        )
    ) == away(
        "2026-10-24T00 2026-10-24T06", "2026-10-24T10 2026-10-25T07", "2026-10-25T11 2026-10-26T00"
    )  # fmt: skip


def test_statement_of_higher_priority_replaces_a_lower_one_within_its_span() -> None:
    always = availability(free=MORNINGS[:2])  # from 23 October 08:00 to 12:00, else never
    holiday = availability(
        "PRIORITY:1",
        "BUSYTYPE:BUSY-TENTATIVE",
        "DTSTART:20261110T000000Z",
        "DURATION:P1D",
        free=("DTSTART:20261110T120000Z", "DURATION:PT12H"),
    )
    expected = Absences(
        away=spans(
            "2026-10-01T00 2026-10-23T06",
            "2026-10-23T10 2026-11-10T00",
            "2026-11-11T00 2026-12-01T00",
        ),
        perhaps=spans("2026-11-10T00 2026-11-10T12"),
        skipped=(),
    )

    assert read(*always, *holiday) == expected
    assert read(*holiday, *always) == expected


@pytest.mark.parametrize(
    ("lines", "reason"),
    [
        (("DTSTART;TZID=Mars/Base:20261005T080000",), "its time zone 'Mars/Base' is not known"),
        (("DURATION:PT1H",), "it has no DTSTART"),
        (
            ("DTSTART:20261005T080000Z", "DTEND:20261005T070000Z"),
            "it ends before it starts",
        ),
        (
            ("DTSTART:20261005T080000Z", "DTEND:tomorrow"),
            "its DTEND cannot be read: Wrong date format tomorrow",
        ),
        (
            ("DTSTART:20261005T080000Z", "DURATION:PT1S", "RRULE:FREQ=SECONDLY"),
            "it recurs secondly; daily is the most",
        ),
        (
            ("DTSTART:20261005T080000Z", "DURATION:PT1S", "RRULE:FREQ=DAILY;INTERVAL=0"),
            "its INTERVAL must be at least 1",
        ),
        (
            (
                "DTSTART:20261005T080000Z",
                "DURATION:PT1M",
                f"RRULE:FREQ=DAILY;BYHOUR={','.join(map(str, range(24)))}",
            ),
            "it occurs more than 1000 times",
        ),
        (
            ("DTSTART:20261005T080000Z", "RRULE:FREQ=DAILY", "EXRULE:FREQ=WEEKLY"),
            "its EXRULE is of a standard withdrawn in 2009",
        ),
        (
            (
                "DTSTART:20261005T080000Z",
                "RECURRENCE-ID;RANGE=THISANDFUTURE:20261005T080000Z",
            ),
            "it changes all later occurrences at once",
        ),
        (("DTSTART:20261005T080000Z", "DURATION:P999999999D"), "date value out of range"),
        (
            ("DTSTART:20261005T080000Z", "DURATION:PT1H", "DURATION:PT2H"),
            "its DURATION must be one duration",
        ),
    ],
)
def test_event_that_cannot_be_understood_is_reported_and_the_rest_read(
    lines: tuple[str, ...], reason: str
) -> None:
    good = [line.replace("e1", "e2") for line in event("DTSTART:20261005T090000Z", "DURATION:PT1H")]

    assert read(*event(*lines), *good) == Absences(
        away=spans("2026-10-05T09 2026-10-05T10"),
        perhaps=IntervalSet(),
        skipped=(Skipped(component="VEVENT", uid="e1", reason=reason),),
    )


def test_task_is_reported_as_no_absence() -> None:
    assert read("BEGIN:VTODO", "UID:t1", "DUE:20261005T090000Z", "END:VTODO").skipped == (
        Skipped(component="VTODO", uid="t1", reason="it is not about being away"),
    )


def test_zone_described_in_the_file_is_used() -> None:
    assert read(
        "BEGIN:VTIMEZONE",
        "TZID:Our Zone",
        "BEGIN:STANDARD",
        "DTSTART:19700101T000000",
        "TZOFFSETFROM:+0500",
        "TZOFFSETTO:+0500",
        "END:STANDARD",
        "END:VTIMEZONE",
        *event("DTSTART;TZID=Our Zone:20261005T080000", "DURATION:PT1H"),
    ) == away("2026-10-05T03 2026-10-05T04")
