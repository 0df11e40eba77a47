"""Where the parts of one more visit come from, shift by shift."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date

from scheduler.routing.plan import Plan
from scheduler.routing.problem import Problem
from scheduler.routing.vans import Pieces, Stores, workshop_place
from scheduler.van_stock import Supply, missing_from, supply_of


@dataclass(frozen=True, slots=True, kw_only=True)
class OfferedParts:
    """Where the parts of a visit come from on each shift, as of ``Question``."""

    supplies: Mapping[str, str] = field(default_factory=dict)
    lacking: Mapping[str, Pieces] = field(default_factory=dict)
    from_workshop: Mapping[str, Pieces] = field(default_factory=dict)
    fetching: frozenset[str] = frozenset()


def offered_parts(
    problem: Problem,
    plan: Plan,
    parts: Pieces,
    stores: Stores,
    *,
    shift_days: Mapping[str, date],
    today: date,
    loads: Mapping[str, int],
) -> OfferedParts:
    """Return where the parts of a visit come from on each shift that has them.

    Whoever carries them may come today, and whoever has yet to call at the workshop; on a later day
    others call there on the way. What is loaded once is along on all days after. When nobody can
    have the parts they have to be ordered, which is said of every shift.

    Parameters
    ----------
    problem, plan : what is published.
    shift_days, today : local days.
    loads : technician -> start of the first visit still ahead that is reached over the workshop, or
        before whose round they load there.
    """
    place = workshop_place(problem, stores)
    calling = {call.shift for call in plan.calls}
    supplies, fetching = dict[str, str](), set[str]()
    lacking, from_workshop = dict[str, Pieces](), dict[str, Pieces]()
    for shift in problem.shifts:
        van = stores.in_vans.get(shift.technician)
        missing = missing_from(van, parts)
        if missing and shift.start_place != place:
            lacking[shift.id] = missing
        supply = supply_of(parts, van, stores.in_workshop)
        if supply is Supply.VAN:
            supplies[shift.id] = "has the parts in the van"
        if supply is not Supply.WORKSHOP:
            continue
        load = loads.get(shift.technician, shift.end)
        calls = shift.id in calling
        loaded = shift.start_place == place or load < (shift.start if calls else shift.end)
        if loaded or (load < shift.end if calls else shift_days[shift.id] > today):
            supplies[shift.id] = "loads the parts at the workshop first"
            from_workshop[shift.id] = missing
            if not loaded:
                fetching.add(shift.id)
    if not supplies:
        ordered = {shift.id: "parts have to be ordered" for shift in problem.shifts}
        return OfferedParts(supplies=ordered, lacking=lacking)
    return OfferedParts(
        supplies=supplies,
        lacking=lacking,
        from_workshop=from_workshop,
        fetching=frozenset(fetching),
    )
