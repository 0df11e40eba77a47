"""Which parts can run short, and what each round sets out with.

A van nobody counted is taken to have all, and so is a workshop nobody counted; where nobody has
the parts of a visit they have to be ordered, whoever comes. Offers go by the same rules
(`scheduler.van_stock.supply_of`).
"""

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from scheduler.company import Technician
from scheduler.places import Coordinates
from scheduler.routing.open_visits import OpenVisit
from scheduler.routing.parts import COST_LIMIT, Visit, Workshop
from scheduler.routing.problem import Problem
from scheduler.van_stock import Supply, supply_of

CALL_MINUTES = 15
"""How long a call at the workshop takes: park, pick, sign for it. Common practice, no source."""

Pieces = Mapping[str, int]


@dataclass(frozen=True, slots=True, kw_only=True)
class Stores:
    """Pieces that nothing beside the plan needs, part type -> pieces.

    Attributes
    ----------
    workshop : where it is.
    in_vans : technician -> pieces. A van nobody counted is not among them: it is taken to have all.
    in_workshop : None where nobody counted: all is taken to be there.
    """

    workshop: Coordinates
    in_vans: Mapping[str, Pieces]
    in_workshop: Pieces | None


def scarce_parts(
    visits: Iterable[OpenVisit], technicians: Iterable[Technician], stores: Stores
) -> frozenset[str]:
    """Return the parts that may run short in a van that was counted, if its technician does all.

    No other part makes a difference to anybody's round.
    """
    scarce: set[str] = set()
    open_visits = [visit for visit in visits if visit.parts]
    for person in technicians:
        if (van := stores.in_vans.get(person.id)) is None:
            continue
        asked = Counter[str]()
        for visit in open_visits:
            standing = visit.standing
            elsewhere = standing and standing.promised and standing.technician != person.id
            if visit.skills <= person.skills and not elsewhere:
                asked.update(visit.parts)
        scarce.update(part for part, pieces in asked.items() if pieces > van.get(part, 0))
    return frozenset(scarce)


def with_supplies(
    problem: Problem, needs: Mapping[str, Pieces], stores: Stores, scarce: frozenset[str]
) -> Problem:
    """Return the problem with the scarce parts of its visits and of its vans.

    A pinned visit asks for none: a promise is not broken for want of a part, which somebody has to
    load beforehand then; what the van has is kept for it. Nor does a visit whose parts nobody can
    have: they have to be ordered, whoever comes. Only the first day of a van is short of anything:
    what the later ones need can be fetched on the first, and `settling` sees to that.

    Parameters
    ----------
    needs : visit -> all its parts, part type -> pieces.
    scarce : see :func:`scarce_parts`.
    """
    place = workshop_place(problem, stores)
    shifts = {shift.id: shift for shift in problem.shifts}
    reserved: defaultdict[str, Counter[str]] = defaultdict(Counter)
    visits = []
    everything = Counter[str]()
    for visit in problem.visits:
        wanted = {p: n for p, n in needs.get(visit.id, {}).items() if p in scarce and n}
        if visit.pinned is not None:
            reserved[shifts[visit.pinned.shift].technician].update(wanted)
            visits.append(visit)
            continue
        having = {
            technician: supply_of(
                needs.get(visit.id, {}), stores.in_vans.get(technician), stores.in_workshop
            )
            for technician in {s.technician for s in problem.shifts if visit.skills <= s.skills}
        }
        if not wanted or all(supply is Supply.ORDER for supply in having.values()):
            visits.append(visit)
            continue
        everything.update(wanted)
        in_vain = {s.id for s in problem.shifts if having.get(s.technician) is Supply.ORDER}
        visits.append(replace(visit, parts=wanted, shift_costs=dearer(visit, in_vain)))
    loaded = set[str]()
    supplied = []
    for shift in problem.shifts:  # those of one technician in order of time
        van = stores.in_vans.get(shift.technician)
        if shift.start_place == place:
            loaded.add(shift.technician)
        if van is None:
            supplied.append(replace(shift, parts=everything))
            continue
        along: Pieces = everything
        if shift.technician not in loaded:
            kept = reserved[shift.technician]
            along = {part: max(van.get(part, 0) - kept[part], 0) for part in everything}
            loaded.add(shift.technician)
        workshop = Workshop(place=place, minutes=CALL_MINUTES)
        supplied.append(replace(shift, parts=along, workshop=workshop))
    return replace(problem, shifts=tuple(supplied), visits=tuple(visits))


def dearer(visit: Visit, in_vain: Iterable[str]) -> dict[str, int]:
    """Return the shift costs, with making a visit where it lacks parts dearer than leaving it."""
    costs = {
        shift: min(visit.shift_costs.get(shift, 0) + visit.leave_out_cost + 1, COST_LIMIT)
        for shift in in_vain
    }
    return {**visit.shift_costs, **costs}


def workshop_place(problem: Problem, stores: Stores) -> int:
    """Return the index of the place the workshop is at."""
    at = stores.workshop
    return next(n for n, p in enumerate(problem.places) if (p.lat, p.lon) == (at.lat, at.lon))
