"""Reading a calendar that somebody uploaded, without trusting it.

A few lines of calendar can describe a thousand million occurrences, and a parser may have faults
nobody knows yet. So the octets are first measured, then read by a child process with a limit on
its memory, its processor time and the clock; the worst it can do is to be refused.
Whoever calls keeps the absences known so far until a reading has succeeded.
"""

import json
import os
import subprocess
import sys
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from api.feeds.absences import Absences, Skipped
from api.feeds.vtimezone import zone_of
from scheduler.errors import UnreadableCalendar
from scheduler.intervals import Interval, IntervalSet


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingLimits:
    """How much of a calendar from outside is put up with."""

    octets: int = 1024 * 1024
    components: int = 5_000
    depth: int = 4  # VCALENDAR, VEVENT, VALARM and one to spare
    line_octets: int = 64 * 1024  # unfolded
    seconds: float = 10.0
    processor_seconds: int = 8
    memory_octets: int = 256 * 1024 * 1024


def read_absences(
    octets: bytes,
    *,
    zone: str,
    horizon: Interval[datetime],
    limits: ReadingLimits = ReadingLimits(),
) -> Absences:
    """Read when somebody is away from a calendar of unknown origin.

    Parameters
    ----------
    octets
        The file, decompressed.
    zone
        IANA zone of the person: of whole days and of times that name no zone.
    horizon
        What happens outside is not read.

    Raises
    ------
    UnreadableCalendar
        When the calendar as a whole is refused; single components are left out and reported.
    UnknownZone
        When ``zone`` is not an IANA zone.
    """
    zone_of(zone)
    require_measure(octets, limits)
    request = {
        "zone": zone,
        "start": horizon.start.isoformat(),
        "end": horizon.end.isoformat(),
        "processor_seconds": limits.processor_seconds,
        "memory_octets": limits.memory_octets,
    }
    try:
        child = subprocess.run(
            [sys.executable, "-m", "api.feeds.inbound_child"],
            input=json.dumps(request).encode() + b"\n" + octets,
            env=_bare_environment(),
            capture_output=True,
            timeout=limits.seconds,
            check=False,
        )
    except subprocess.TimeoutExpired:
        raise UnreadableCalendar(
            "took_too_long", f"the calendar could not be read within {limits.seconds:g} seconds"
        ) from None
    if child.returncode != 0:
        raise UnreadableCalendar(
            "gave_up", "the calendar needs more time or memory than is allowed, or is damaged"
        )
    return _absences_from(json.loads(child.stdout))


def require_measure(octets: bytes, limits: ReadingLimits) -> None:
    """Refuse what is too large, too deep or no calendar, before anything parses it.

    A file that breaks off must be refused too: read as it stands, it would drop the absences of
    its lost part.

    Raises
    ------
    UnreadableCalendar
    """
    if len(octets) > limits.octets:
        raise UnreadableCalendar("too_large", f"a calendar may have {limits.octets} octets at most")
    try:
        octets.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise UnreadableCalendar("not_utf8", "the calendar is not in UTF-8") from None
    lines = octets.removeprefix(b"\xef\xbb\xbf").strip().splitlines()
    if not lines or lines[0].strip().upper() != b"BEGIN:VCALENDAR":
        raise UnreadableCalendar("not_a_calendar", "the file does not begin with BEGIN:VCALENDAR")
    opened: list[bytes] = []
    components = line_octets = 0
    for line in lines:
        line_octets = line_octets + len(line) if line[:1] in (b" ", b"\t") else len(line)
        if line_octets > limits.line_octets:
            raise UnreadableCalendar(
                "line_too_long", f"a line may have {limits.line_octets} octets at most"
            )
        name, _, value = line.strip().upper().partition(b":")
        if name == b"BEGIN":
            opened.append(value)
            components += 1
        elif name == b"END" and (not opened or opened.pop() != value):
            raise UnreadableCalendar("broken_off", "the calendar's BEGIN and END do not match")
        if len(opened) > limits.depth:
            raise UnreadableCalendar(
                "too_deep", f"components may be nested {limits.depth} deep at most"
            )
        if components > limits.components:
            raise UnreadableCalendar(
                "too_many", f"a calendar may have {limits.components} components at most"
            )
    if opened:
        raise UnreadableCalendar("broken_off", "the calendar breaks off before its end")


def _bare_environment() -> dict[str, str]:
    """What a Python needs to start. The settings of this process are not for the child."""
    wanted = ("PYTHONPATH", "LD_LIBRARY_PATH", "SYSTEMROOT")
    return {name: os.environ[name] for name in wanted if name in os.environ}


def _absences_from(answer: dict[str, Any]) -> Absences:
    away, perhaps = (
        IntervalSet.of(
            Interval(start=datetime.fromisoformat(start), end=datetime.fromisoformat(end))
            for start, end in answer[name]
        )
        for name in ("away", "perhaps")
    )
    skipped = tuple(Skipped(**entry) for entry in answer["skipped"])
    return Absences(away=away, perhaps=perhaps, skipped=skipped)
