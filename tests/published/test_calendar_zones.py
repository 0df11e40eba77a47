"""Every VTIMEZONE against the IANA time zone database, and as an independent program reads it.

Sources: the database in the ``tzdata`` package through ``zoneinfo``; ``dateutil.tz.tzical`` as the
reader. test_calendar_readers has further readers, on fewer zones.
"""

import io
from datetime import UTC, datetime, timedelta, tzinfo
from importlib.resources import files
from zoneinfo import ZoneInfo

from dateutil.tz import tzical

from api.feeds.vtimezone import onsets, vtimezone_lines

FIRST_YEAR, LAST_YEAR = 2026, 2036
START = datetime(FIRST_YEAR, 1, 1, tzinfo=UTC)
END = datetime(LAST_YEAR + 1, 1, 1, tzinfo=UTC)
SECOND = timedelta(seconds=1)
SAMPLES = [START + timedelta(hours=hour) for hour in range(0, (END - START).days * 24, 8)]


def canonical_zones() -> list[str]:
    """The zones (not the links) of the database, from its compact source text."""
    lines = files("tzdata.zoneinfo").joinpath("tzdata.zi").read_text().splitlines()
    return sorted(line.split()[1] for line in lines if line.startswith("Z "))


def read_by_dateutil(key: str) -> tzinfo:
    lines = ["BEGIN:VCALENDAR", *vtimezone_lines(key), "END:VCALENDAR", ""]
    zone = tzical(io.StringIO("\r\n".join(lines))).get(key)
    assert zone is not None
    return zone


def test_canonical_zones_are_a_few_hundred() -> None:
    # Guards the tests below against an empty list; the 2026 database has 341 zones.
    assert 330 <= len(canonical_zones()) <= 360


def test_onsets_are_the_changes_of_each_zone_to_the_second() -> None:
    wrong = []
    for key in canonical_zones():
        zone = ZoneInfo(key)
        changes = onsets(key, FIRST_YEAR, LAST_YEAR)
        for change in changes:
            before = (change.instant - SECOND).astimezone(zone).utcoffset()
            at = change.instant.astimezone(zone).utcoffset()
            if (before, at) != (change.offset_from, change.offset_to) or before == at:
                wrong.append((key, change.instant.isoformat()))
        # Between the onsets nothing else happens: the offset every eight hours is the last one's.
        offset, coming = START.astimezone(zone).utcoffset(), list(reversed(changes))
        for sample in SAMPLES:
            while coming and coming[-1].instant <= sample:
                offset = coming.pop().offset_to
            if sample.astimezone(zone).utcoffset() != offset:
                wrong.append((key, sample.isoformat()))
                break
    assert wrong == []


def test_vtimezones_mean_what_the_zones_mean_one_second_either_side_of_each_change() -> None:
    wrong, asked = [], 0
    for key in canonical_zones():
        zone, read = ZoneInfo(key), read_by_dateutil(key)
        probes = [START, END - SECOND]
        for change in onsets(key, FIRST_YEAR, LAST_YEAR):
            # The skipped or repeated hour is left out: in it, only UTC is published.
            hour = abs(change.offset_to - change.offset_from)
            probes += [change.instant - SECOND, change.instant]
            probes += [change.instant - hour - SECOND, change.instant + hour]
        for probe in probes:
            wall = probe.astimezone(zone)
            if wall.replace(fold=0).utcoffset() == wall.replace(fold=1).utcoffset():
                asked += 1
                if wall.replace(tzinfo=read).utcoffset() != wall.utcoffset():
                    wrong.append((key, wall.isoformat()))
    assert wrong == []
    assert asked > 5000


def test_zone_with_a_yearly_rule_is_two_rules() -> None:
    # RFC 5545 section 3.6.5: onsets are local times with the offset from which they start.
    assert vtimezone_lines("America/New_York") == (
        "BEGIN:VTIMEZONE",
        "TZID:America/New_York",
        "BEGIN:DAYLIGHT",
        "DTSTART:20250309T020000",
        "TZOFFSETFROM:-0500",
        "TZOFFSETTO:-0400",
        "TZNAME:EDT",
        "RRULE:FREQ=YEARLY;BYMONTH=3;BYDAY=2SU",
        "END:DAYLIGHT",
        "BEGIN:STANDARD",
        "DTSTART:20251102T020000",
        "TZOFFSETFROM:-0400",
        "TZOFFSETTO:-0500",
        "TZNAME:EST",
        "RRULE:FREQ=YEARLY;BYMONTH=11;BYDAY=1SU",
        "END:STANDARD",
        "END:VTIMEZONE",
    )


def test_zone_without_a_yearly_rule_lists_each_change_on_its_own_line() -> None:
    lines = vtimezone_lines("Asia/Jerusalem", 2028, 2030)

    # Friday before the last Sunday of March, 02:00, to the last Sunday of October, 02:00. Those
    # Fridays are the last of March in 2027, not in 2028.
    assert lines == (
        "BEGIN:VTIMEZONE",
        "TZID:Asia/Jerusalem",
        "BEGIN:STANDARD",
        "DTSTART:19700101T000000",
        "TZOFFSETFROM:+0200",
        "TZOFFSETTO:+0200",
        "TZNAME:IST",
        "END:STANDARD",
        "BEGIN:DAYLIGHT",
        "DTSTART:20270326T020000",
        "TZOFFSETFROM:+0200",
        "TZOFFSETTO:+0300",
        "TZNAME:IDT",
        "RDATE:20280324T020000",
        "RDATE:20290323T020000",
        "RDATE:20300329T020000",
        "END:DAYLIGHT",
        "BEGIN:STANDARD",
        "DTSTART:20271031T020000",
        "TZOFFSETFROM:+0300",
        "TZOFFSETTO:+0200",
        "TZNAME:IST",
        "RDATE:20281029T020000",
        "RDATE:20291028T020000",
        "RDATE:20301027T020000",
        "END:STANDARD",
        "END:VTIMEZONE",
    )


def test_zone_that_never_changes_is_one_observance() -> None:
    assert vtimezone_lines("Asia/Kolkata") == (
        "BEGIN:VTIMEZONE",
        "TZID:Asia/Kolkata",
        "BEGIN:STANDARD",
        "DTSTART:19700101T000000",
        "TZOFFSETFROM:+0530",
        "TZOFFSETTO:+0530",
        "TZNAME:IST",
        "END:STANDARD",
        "END:VTIMEZONE",
    )


def test_zone_data_come_from_the_package_not_from_the_host() -> None:
    import zoneinfo

    assert zoneinfo.TZPATH == ()
