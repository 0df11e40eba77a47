"""Absences read from a calendar against published examples and an independent reader.

Sources: the examples of RFC 5545 section 3.8.5.3; the availability examples of RFC 7953 section 5;
``recurring-ical-events`` from PyPI as the reader.
"""

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import icalendar
import pytest
import recurring_ical_events
from hypothesis import given, settings
from hypothesis import strategies as st

from api.feeds.absences import absences_in
from scheduler.intervals import Interval, IntervalSet

NEW_YORK = ZoneInfo("America/New_York")


def calendar(*lines: str) -> bytes:
    head = ("BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//Tests//EN")
    return "\r\n".join([*head, *lines, "END:VCALENDAR", ""]).encode()


def between(first: str, last: str) -> Interval[datetime]:
    return Interval(
        start=datetime.fromisoformat(f"{first}T00:00:00+00:00"),
        end=datetime.fromisoformat(f"{last}T00:00:00+00:00"),
    )


@pytest.mark.parametrize(
    ("start", "rule", "horizon", "days"),
    [
        ("19970902", "FREQ=DAILY;COUNT=10", "1997-09-01 1998-01-01",
         "0902 0903 0904 0905 0906 0907 0908 0909 0910 0911"),
        ("19970902", "FREQ=DAILY;INTERVAL=10;COUNT=5", "1997-09-01 1998-01-01",
         "0902 0912 0922 1002 1012"),
        ("19970805", "FREQ=WEEKLY;INTERVAL=2;COUNT=4;BYDAY=TU,SU;WKST=MO", "1997-08-01 1998-01-01",
         "0805 0810 0819 0824"),
        ("19970805", "FREQ=WEEKLY;INTERVAL=2;COUNT=4;BYDAY=TU,SU;WKST=SU", "1997-08-01 1998-01-01",
         "0805 0817 0819 0831"),
        ("19970905", "FREQ=MONTHLY;COUNT=10;BYDAY=1FR", "1997-09-01 1998-07-01",
         "0905 1003 1107 1205 0102 0206 0306 0403 0501 0605"),
        ("19970922", "FREQ=MONTHLY;COUNT=6;BYDAY=-2MO", "1997-09-01 1998-07-01",
         "0922 1020 1117 1222 0119 0216"),
        ("19970928", "FREQ=MONTHLY;BYMONTHDAY=-3", "1997-09-01 1998-03-01",
         "0928 1029 1128 1229 0129 0226"),
        ("19970930", "FREQ=MONTHLY;COUNT=10;BYMONTHDAY=1,-1", "1997-09-01 1998-07-01",
         "0930 1001 1031 1101 1130 1201 1231 0101 0131 0201"),
        ("19970910", "FREQ=MONTHLY;INTERVAL=18;COUNT=10;BYMONTHDAY=10,11,12,13,14,15",
         "1997-09-01 1999-07-01", "0910 0911 0912 0913 0914 0915 0310 0311 0312 0313"),
        ("19970512", "FREQ=YEARLY;BYWEEKNO=20;BYDAY=MO", "1997-01-01 2000-01-01",
         "0512 0511 0517"),
        ("19961105", "FREQ=YEARLY;INTERVAL=4;BYMONTH=11;BYDAY=TU;BYMONTHDAY=2,3,4,5,6,7,8",
         "1996-01-01 2005-01-01", "1105 1107 1102"),
        ("19970929", "FREQ=MONTHLY;BYDAY=MO,TU,WE,TH,FR;BYSETPOS=-2", "1997-09-01 1998-02-01",
         "0929 1030 1127 1230 0129"),
        ("20070115", "FREQ=MONTHLY;BYMONTHDAY=15,30;COUNT=5", "2007-01-01 2007-07-01",
         "0115 0130 0215 0315 0330"),
        ("19970902", "FREQ=MONTHLY;BYDAY=FR;BYMONTHDAY=13\r\n"
         "EXDATE;TZID=America/New_York:19970902T090000", "1997-09-01 2000-12-01",
         "0213 0313 1113 0813 1013"),
    ],
)  # fmt: skip
def test_recurrence_examples_of_rfc_5545(start: str, rule: str, horizon: str, days: str) -> None:
    octets = calendar(
        "BEGIN:VEVENT",
        "UID:e1",
        f"DTSTART;TZID=America/New_York:{start}T090000",
        "DURATION:PT1H",
        f"RRULE:{rule}",
        "END:VEVENT",
    )

    absences = absences_in(octets, zone="America/New_York", horizon=between(*horizon.split()))

    starts = [span.start.astimezone(NEW_YORK) for span in absences.away]
    assert [f"{moment:%m%d}" for moment in starts] == days.split()
    assert {f"{moment:%H:%M}" for moment in starts} == {"09:00"}
    assert absences.skipped == ()


@pytest.mark.parametrize(
    ("length", "hours"),
    [
        # RFC 5545 section 3.3.6, its two examples (from memory): 15 days, 5 hours and 20 seconds;
        # seven weeks, which are 49 days
        ("P15DT5H0M20S", 15 * 24 + 5 + 20 / 3600),
        ("P7W", 49 * 24),
    ],
)
def test_durations_of_rfc_5545(length: str, hours: float) -> None:
    octets = calendar(
        "BEGIN:VEVENT", "UID:e1", "DTSTART:20270104T090000Z", f"DURATION:{length}", "END:VEVENT"
    )
    (span,) = absences_in(octets, zone="UTC", horizon=between("2027-01-01", "2027-04-01")).away
    assert (span.end - span.start) / timedelta(hours=1) == pytest.approx(hours, abs=1e-9)


def test_a_month_is_no_duration() -> None:
    # The same section knows weeks, days, hours, minutes and seconds only: P1M is not 30 days. The
    # event is left out and named, not guessed at.
    octets = calendar(
        "BEGIN:VEVENT", "UID:e1", "DTSTART:20270104T090000Z", "DURATION:P1M", "END:VEVENT"
    )
    absences = absences_in(octets, zone="UTC", horizon=between("2027-01-01", "2027-04-01"))
    assert list(absences.away) == []
    assert len(absences.skipped) == 1


@pytest.mark.parametrize(
    ("week", "weekday", "year", "day"),
    [
        # ISO 8601 (from memory): 2004-W53-6, 2009-W01-1 and 2009-W53-7 lie in the next or the
        # last year of the calendar
        (53, "SA", 2004, "2005-01-01"),
        (1, "MO", 2009, "2008-12-29"),
        (53, "SU", 2009, "2010-01-03"),
    ],
)
def test_weeks_of_iso_8601(week: int, weekday: str, year: int, day: str) -> None:
    # every week of that number, from some years before to some after
    octets = calendar(
        "BEGIN:VEVENT",
        "UID:e1",
        "DTSTART;VALUE=DATE:20000101",
        f"RRULE:FREQ=YEARLY;BYWEEKNO={week};BYDAY={weekday};WKST=MO",
        "END:VEVENT",
    )
    horizon = between(f"{year - 1}-06-01", f"{year + 1}-06-01")
    starts = [span.start.date() for span in absences_in(octets, zone="UTC", horizon=horizon).away]
    assert date.fromisoformat(day) in starts
    assert all(
        start.isocalendar()[1:] == date.fromisoformat(day).isocalendar()[1:] for start in starts
    )


def test_availability_example_of_rfc_7953() -> None:
    # Section 5, first example: Monday to Friday from 09:00 to 17:00 in Montreal, here in the week
    # from Sunday 2 October 2011 (UTC-4); everything else is unavailable.
    octets = calendar(
        "BEGIN:VAVAILABILITY",
        "ORGANIZER:mailto:bernard@example.com",
        "UID:0428C7D2-688E-4D2E-AC52-CD112E2469DF",
        "DTSTAMP:20111005T133225Z",
        "BEGIN:AVAILABLE",
        "UID:34EDA59B-6BB1-4E94-A66C-64999089C0AF",
        "SUMMARY:Monday to Friday from 9:00 to 17:00",
        "DTSTART;TZID=America/Montreal:20111002T090000",
        "DTEND;TZID=America/Montreal:20111002T170000",
        "RRULE:FREQ=WEEKLY;BYDAY=MO,TU,WE,TH,FR",
        "END:AVAILABLE",
        "END:VAVAILABILITY",
    )
    week = between("2011-10-03", "2011-10-10")

    absences = absences_in(octets, zone="America/Montreal", horizon=week)

    free = [
        Interval(
            start=datetime(2011, 10, day, 13, tzinfo=UTC),
            end=datetime(2011, 10, day, 21, tzinfo=UTC),
        )
        for day in (3, 4, 5, 6, 7)
    ]
    assert absences.away == IntervalSet.between(week.start, week.end) - IntervalSet.of(free)


WEEKDAYS = st.lists(
    st.sampled_from(["MO", "TU", "WE", "TH", "FR", "SA", "SU"]), min_size=1, max_size=4, unique=True
)
RULES = st.one_of(
    st.none(),
    st.builds("FREQ=DAILY;INTERVAL={}".format, st.integers(1, 40)),
    st.builds(
        lambda days, interval: f"FREQ=WEEKLY;INTERVAL={interval};BYDAY={','.join(days)}",
        WEEKDAYS,
        st.integers(1, 3),
    ),
    st.builds("FREQ=MONTHLY;BYMONTHDAY={}".format, st.integers(-31, -1)),
    st.builds(
        lambda rank, day: f"FREQ=MONTHLY;BYDAY={rank}{day[0]}",
        st.sampled_from([1, 2, 3, 4, -1, -2]),
        WEEKDAYS,
    ),
)
# No series ends before it starts, which would be a contradiction the standard does not resolve.
LIMITS = st.sampled_from(["", ";COUNT=5", ";UNTIL=20270415T120000Z"])


@st.composite
def events(draw: st.DrawFn) -> str:
    uid = draw(st.integers(0, 10**9))
    # From 03:00 to 20:00, and not near midnight: the other reader adds the length of an event on
    # the wall clock, this one in hours that pass, which differs across a clock change only.
    start = datetime(2026, 6, 1) + timedelta(  # noqa: DTZ001 (a wall time)
        days=draw(st.integers(0, 300)),
        hours=draw(st.integers(3, 16)),
        minutes=draw(st.integers(0, 59)),
    )
    zone = draw(st.sampled_from(["Europe/Berlin", "America/New_York", "Asia/Kolkata"]))
    rule = draw(RULES)
    lines = [
        "BEGIN:VEVENT",
        f"UID:{uid}",
        f"DTSTART;TZID={zone}:{start:%Y%m%dT%H%M%S}",
        f"DURATION:PT{draw(st.integers(1, 180))}M",
    ]
    if rule is not None:
        lines += [f"RRULE:{rule}{draw(LIMITS)}"]
    return "\r\n".join([*lines, "END:VEVENT"])


@settings(deadline=None, max_examples=60)
@given(st.lists(events(), max_size=4, unique_by=lambda text: text.split("\r\n")[1]))
def test_independent_reader_sees_the_same_absences(texts: list[str]) -> None:
    octets = calendar(*texts)
    horizon = between("2026-10-01", "2027-05-01")

    found = recurring_ical_events.of(icalendar.Calendar.from_ical(octets)).between(
        horizon.start, horizon.end
    )

    expected = IntervalSet.of(
        Interval(start=event.start.astimezone(UTC), end=event.end.astimezone(UTC))
        for event in found
    ).clip(horizon.start, horizon.end)
    assert absences_in(octets, zone="Europe/Berlin", horizon=horizon).away == expected
