"""What one technician fetches for visits to come, when some of them change places.

A part is fetched on the last call at the workshop before its visit or, without one, before the
round of that day sets out: by the rule of `scheduler.routing.settling.fetched`.
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date

FetchList = Mapping[str, Mapping[str, int]]
"""The visit it is for -> part type -> pieces."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Loading:
    """A visit to come, on its local day.

    ``call_minutes`` are spent at the workshop on the way to it, None without a call; ``fetch`` is
    loaded there or, without a call, before the round sets out.
    """

    visit: str
    day: date
    call_minutes: int | None = None
    fetch: FetchList = field(default_factory=dict)


def loaded_in_time(visits: Sequence[Loading], homeless: FetchList) -> tuple[Loading, ...]:
    """Return the visits of a technician with all parts fetched before the visit they are for.

    A call that comes too late for a visit of its day comes before that one instead.

    Parameters
    ----------
    visits : in order of time.
    homeless : what was to be fetched on a call that is no more. Where no visit comes any more,
        nobody needs it.
    """
    place = {each.visit: at for at, each in enumerate(visits)}
    first = {each.day: at for at, each in reversed(list(enumerate(visits)))}
    calls = [each.call_minutes for each in visits]
    lists = [each.fetch for each in visits]
    for at, each in enumerate(visits):
        if calls[at] is None:
            continue
        waiting = (place[v] for v in lists[at] if v in place)
        soonest = min((w for w in waiting if first[each.day] <= w < at), default=at)
        if soonest < at:
            calls[soonest], calls[at] = calls[at], None
            lists[soonest], lists[at] = summed(lists[soonest], lists[at]), {}
    kept: list[FetchList] = [{} for _ in visits]
    for at, each in enumerate(visits):
        loads = at if calls[at] is not None else first[each.day]
        for visit, pieces in lists[at].items():
            if place.get(visit, at) >= loads:
                kept[loads] = summed(kept[loads], {visit: pieces})
            else:
                homeless = summed(homeless, {visit: pieces})
    for visit in sorted(homeless, key=lambda visit: place.get(visit, 0)) if visits else ():
        last = place.get(visit, 0)
        loads = next(
            (at for at in range(last, -1, -1) if calls[at] is not None or kept[at]),
            first[visits[last].day],
        )
        kept[loads] = summed(kept[loads], {visit: homeless[visit]})
    return tuple(
        replace(each, call_minutes=call, fetch=fetch)
        for each, call, fetch in zip(visits, calls, kept, strict=True)
    )


def summed(*lists: FetchList) -> dict[str, dict[str, int]]:
    """Return several lists as one, nothing of any lost."""
    total: dict[str, Counter[str]] = {}
    for each in lists:
        for visit, pieces in each.items():
            total.setdefault(visit, Counter()).update(pieces)
    return {visit: dict(pieces) for visit, pieces in total.items()}
