"""The process that reads a calendar of unknown origin: limits itself, reads, answers, ends.

Standard input: one line of JSON, then the calendar. Standard output: one line of JSON.
"""

import contextlib
import json
import resource
import sys
from dataclasses import asdict
from datetime import datetime
from typing import Any

from api.feeds.absences import Absences, absences_in
from scheduler.intervals import Interval, IntervalSet

_LONGEST_TEXT = 200
_MOST_SPANS = 20_000


def main() -> None:
    """Read standard input, write standard output; any failure ends the process."""
    request = json.loads(sys.stdin.buffer.readline())
    _limit(resource.RLIMIT_CPU, request["processor_seconds"])
    _limit(resource.RLIMIT_AS, request["memory_octets"])
    horizon = Interval(
        start=datetime.fromisoformat(request["start"]), end=datetime.fromisoformat(request["end"])
    )
    absences = absences_in(sys.stdin.buffer.read(), zone=request["zone"], horizon=horizon)
    if len(absences.away) + len(absences.perhaps) > _MOST_SPANS:
        sys.exit("too many separate absences")
    json.dump(_answer(absences), sys.stdout)


def _limit(kind: int, most: int) -> None:
    # Some systems do not limit address space; the limit on the clock, from outside, remains.
    with contextlib.suppress(ValueError, OSError):
        resource.setrlimit(kind, (most, most))


def _answer(absences: Absences) -> dict[str, Any]:
    def pairs(instants: IntervalSet[datetime]) -> list[tuple[str, str]]:
        return [(span.start.isoformat(), span.end.isoformat()) for span in instants]

    return {
        "away": pairs(absences.away),
        "perhaps": pairs(absences.perhaps),
        "skipped": [
            {name: text[:_LONGEST_TEXT] for name, text in asdict(entry).items()}
            for entry in absences.skipped
        ],
    }


if __name__ == "__main__":
    main()
