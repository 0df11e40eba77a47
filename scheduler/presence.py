"""Who is at which site, and when: two technicians never work at one site at once.

One could rebuild a valve under pressure while the other empties the same boiler, or switch on what
the other has made safe; machines of a site share their water and their supply. The whole site
counts therefore, not the machine. Common practice of making plant safe, no source.
"""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from scheduler.intervals import Interval


@dataclass(frozen=True, slots=True, kw_only=True)
class Presence:
    """A technician at a site, for an appointment or in time held for a client.

    ``id`` is the appointment's or the hold's, ``span`` in UTC.
    """

    id: str
    visit: str
    site: str
    technician: str
    span: Interval[datetime]


def meetings(presences: Iterable[Presence]) -> tuple[tuple[Presence, Presence], ...]:
    """Return each pair of different technicians at one site at one time, the earlier first."""
    by_site: defaultdict[str, list[Presence]] = defaultdict(list)
    for presence in presences:
        by_site[presence.site].append(presence)
    found = []
    for at_site in by_site.values():
        at_site.sort(key=lambda presence: (presence.span.start, presence.id))
        for number, earlier in enumerate(at_site):
            for later in at_site[number + 1 :]:
                if later.span.start >= earlier.span.end:
                    break
                if later.technician != earlier.technician:
                    found.append((earlier, later))
    return tuple(sorted(found, key=lambda pair: (pair[1].span.start, pair[0].id, pair[1].id)))
