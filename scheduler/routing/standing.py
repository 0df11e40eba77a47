"""The published calendar as a problem in which nothing that stands may move."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from math import ceil

from scheduler.places import Coordinates
from scheduler.routing.parts import Place, Shift, Visit, Workshop
from scheduler.routing.plan import Call, Plan, Stop, cost_of
from scheduler.routing.problem import Problem
from scheduler.routing.vans import CALL_MINUTES
from scheduler.travel import Travel

_MINUTE = timedelta(minutes=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Booked:
    """Time of a technician that is taken: an appointment, or a time held for a client.

    ``leave_out_cost`` is what it would cost to let it go, in minutes of travel equivalent; ``site``
    where only one technician may work at a time, as of a visit. ``call_minutes`` are spent at the
    workshop on the way to it, if the round calls there.
    """

    id: str
    technician: str
    at: Coordinates
    starts_at: datetime
    ends_at: datetime
    leave_out_cost: int = 0
    site: str | None = None
    call_minutes: int | None = None


def standing_still(
    problem: Problem,
    booked: Sequence[Booked],
    travel: Travel,
    workshop: Coordinates | None = None,
) -> tuple[Problem, Plan]:
    """Return a problem of what is booked, each at its one minute, and the plan it makes.

    Booked time that touches no shift of its technician takes nothing from anybody's round and is
    left away. A round that cannot be driven as it is booked (somebody decided so by hand) takes no
    further visit.

    Parameters
    ----------
    problem
        Gives the shifts. The places it has keep their numbers; its visits are left away, since
        they are still to be placed.
    booked
        Ids must be unique.
    travel
        Knows the way between all of them.
    workshop
        Where every round may call; calls are left away without it.
    """
    places = [_coordinates(place) for place in problem.places]
    index = {place: at for at, place in enumerate(places)}
    for each in booked:
        if each.at not in index:
            index[each.at] = len(places)
            places.append(each.at)
    if workshop is not None and workshop not in index:
        index[workshop] = len(places)
        places.append(workshop)
    shifts: defaultdict[str, list[Shift]] = defaultdict(list)
    for shift in problem.shifts:
        shifts[shift.technician].append(shift)
    stops: list[Stop] = []
    visits: list[Visit] = []
    calls: dict[str, tuple[Call, int]] = {}
    for each in booked:
        start = (each.starts_at - problem.minute_zero) // _MINUTE
        end = ceil((each.ends_at - problem.minute_zero) / _MINUTE)
        shift_id = next(
            (s.id for s in shifts[each.technician] if start < s.end and s.start < end), None
        )
        if shift_id is None:
            continue
        stops.append(Stop(visit=each.id, shift=shift_id, start=start))
        if workshop is not None and each.call_minutes is not None:
            calls[shift_id] = Call(shift=shift_id, before=each.id), each.call_minutes
        visits.append(
            Visit(
                id=each.id,
                place=index[each.at],
                minutes=end - start,
                start_windows=((start, start),),
                leave_out_cost=each.leave_out_cost,
                site=each.site,
            )
        )
    whole = replace(
        problem,
        places=tuple(
            Place(id=f"p{at}", lat=place.lat, lon=place.lon) for at, place in enumerate(places)
        ),
        travel_minutes=travel.between(places).minutes,
        shifts=problem.shifts
        if workshop is None
        else tuple(
            replace(shift, workshop=Workshop(place=index[workshop], minutes=minutes))
            for shift in problem.shifts
            for _, minutes in [calls.get(shift.id, (None, CALL_MINUTES))]
        ),
        visits=tuple(visits),
    )
    made = tuple(call for call, _ in calls.values())
    cost = cost_of(whole, stops, calls=made)
    return whole, Plan(stops=tuple(stops), breaks=(), left_out=(), cost=cost, calls=made)


def _coordinates(place: Place) -> Coordinates:
    assert place.lat is not None, "assembled places lie on the map"
    assert place.lon is not None, "assembled places lie on the map"
    return Coordinates(lat=place.lat, lon=place.lon)
