"""A crew problem for PyVRP.

PyVRP knows one window for each client and no breaks, so a visit becomes a group of clients, one
for each window, of which at most one is made, and a shift may last no longer than its length
without the break. Skills and pins are distance profiles in which other visits are out of reach.
Costs of a visit in a shift are not stated.
"""

import numpy as np
import pyvrp
from pyvrp.stop import MaxRuntime

from scheduler.routing.problem import Problem, Shift, Visit

CLIENT_LIMIT = 4000
"""With more clients PyVRP needs many gigabytes; then the longest window of each visit is kept."""

PIN_LIMIT = 1000
"""With more visits, a profile for each shift with pins is too much; pins are put right after."""

FORBIDDEN = 1 << 30

Profile = tuple[frozenset[str], str]
"""Skills, and the shift whose pinned visits are in reach (empty: none)."""


def rounds(problem: Problem, seconds: float, seed: int) -> dict[str, list[str]]:
    """Return shift id to the ids of its visits in order."""
    visits, shifts = problem.visits, problem.shifts
    homes = sorted({place for shift in shifts for place in (shift.start_place, shift.end_place)})
    alternatives = _alternatives(problem)
    members: dict[int, list[int]] = {}
    for number, (at, _, _) in enumerate(alternatives):
        members.setdefault(at, []).append(number)
    group = {at: number for number, at in enumerate(members)}
    places = homes + [visit.place for visit in visits]
    travel = problem.travel_minutes[places][:, places].astype(np.int64)
    np.fill_diagonal(travel, 0)
    profiles = sorted({_profile(problem, shift) for shift in shifts}, key=repr)
    data = pyvrp.ProblemData(
        locations=[pyvrp.Location(0, 0) for _ in places],
        clients=[
            pyvrp.Client(
                len(homes) + at,
                service_duration=visits[at].minutes,
                tw_early=first,
                tw_late=last,
                prize=visits[at].leave_out_cost if visits[at].pinned is None else FORBIDDEN,
                required=False,
                group=group[at],
            )
            for at, first, last in alternatives
        ],
        depots=[pyvrp.Depot(number) for number in range(len(homes))],
        vehicle_types=[
            pyvrp.VehicleType(
                start_depot=homes.index(shift.start_place),
                end_depot=homes.index(shift.end_place),
                tw_early=shift.start,
                tw_late=shift.end,
                shift_duration=shift.end
                - shift.start
                - (shift.pause.minutes if shift.pause else 0),
                profile=profiles.index(_profile(problem, shift)),
            )
            for shift in shifts
        ],
        distance_matrices=[_reachable(problem, travel, len(homes), one) for one in profiles],
        duration_matrices=[travel] * len(profiles),
        groups=[pyvrp.ClientGroup(numbers, required=False) for numbers in members.values()],
    )
    result = pyvrp.solve(data, stop=MaxRuntime(seconds), seed=seed, display=False)
    return {
        shifts[route.vehicle_type()].id: [
            visits[alternatives[activity.idx][0]].id for activity in route if activity.is_client()
        ]
        for route in result.best.routes()
    }


def _profile(problem: Problem, shift: Shift) -> Profile:
    if len(problem.visits) > PIN_LIMIT:
        return shift.skills, ""
    pinned = {visit.pinned.shift for visit in problem.visits if visit.pinned is not None}
    return shift.skills, shift.id if shift.id in pinned else ""


def _reachable(problem: Problem, travel: np.ndarray, n_homes: int, profile: Profile) -> np.ndarray:
    """The distances of one profile: what it may not make is out of reach."""
    skills, pins_of = profile
    matrix = travel.copy()
    for at, visit in enumerate(problem.visits):
        elsewhere = visit.pinned is not None and visit.pinned.shift != pins_of
        if not visit.skills <= skills or (elsewhere and len(problem.visits) <= PIN_LIMIT):
            matrix[:, n_homes + at] = FORBIDDEN
            matrix[n_homes + at, :] = FORBIDDEN
    np.fill_diagonal(matrix, 0)
    return matrix


def _alternatives(problem: Problem) -> list[tuple[int, int, int]]:
    """Index of a visit, first and last start; one entry for each window."""
    every = [(at, *window) for at, visit in enumerate(problem.visits) for window in _windows(visit)]
    if len(every) <= CLIENT_LIMIT:
        return every
    longest: dict[int, tuple[int, int, int]] = {}
    for at, first, last in every:
        if at not in longest or last - first > longest[at][2] - longest[at][1]:
            longest[at] = (at, first, last)
    return list(longest.values())


def _windows(visit: Visit) -> tuple[tuple[int, int], ...]:
    if visit.pinned is not None:
        return ((visit.pinned.start, visit.pinned.start),)
    return visit.start_windows
