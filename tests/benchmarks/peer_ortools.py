"""A crew problem for the routing library of OR-Tools.

It knows everything the problem file has: windows with holes, breaks, allowed vehicles and a
price for dropping a visit. It starts from parallel cheapest insertion and improves by guided
local search; there is no seed. Costs of a visit in a shift are added to the legs that enter it,
which needs slower callbacks and is done only where there are any.
"""

from itertools import pairwise

from ortools.constraint_solver import pywrapcp, routing_enums_pb2

from scheduler.routing.problem import Problem, Visit

PINNED = 10**9


def rounds(problem: Problem, seconds: float, seed: int) -> dict[str, list[str]]:
    """Return shift id to the ids of its visits in order; empty when no plan was found in time."""
    shifts, visits = problem.shifts, problem.visits
    ends = sorted({place for shift in shifts for place in (shift.start_place, shift.end_place)})
    node = {place: len(visits) + at for at, place in enumerate(ends)}
    places = [visit.place for visit in visits] + ends
    manager = pywrapcp.RoutingIndexManager(
        len(places),
        len(shifts),
        [node[shift.start_place] for shift in shifts],
        [node[shift.end_place] for shift in shifts],
    )
    routing = pywrapcp.RoutingModel(manager)
    travel = problem.travel_minutes[places][:, places].tolist()
    service = [visit.minutes for visit in visits] + [0] * len(ends)
    with_service = [[minutes + service[at] for minutes in row] for at, row in enumerate(travel)]
    _set_costs(problem, manager, routing, travel)
    time_index = routing.RegisterTransitMatrix(with_service)
    horizon = max(shift.end for shift in shifts)
    routing.AddDimension(time_index, horizon, horizon, False, "time")
    time = routing.GetDimensionOrDie("time")
    for vehicle, shift in enumerate(shifts):
        time.CumulVar(routing.Start(vehicle)).SetRange(shift.start, shift.end)
        time.CumulVar(routing.End(vehicle)).SetRange(shift.start, shift.end)
    for at, visit in enumerate(visits):
        _add_visit(problem, routing, time, manager.NodeToIndex(at), visit)
    index_service = [service[manager.IndexToNode(index)] for index in range(routing.Size())] + [
        0
    ] * len(shifts)
    for vehicle, shift in enumerate(shifts):
        if shift.pause is not None:
            rest = routing.solver().FixedDurationIntervalVar(
                max(shift.pause.earliest, shift.start),
                min(shift.pause.latest, shift.end) - shift.pause.minutes,
                shift.pause.minutes,
                False,
                "break",
            )
            time.SetBreakIntervalsOfVehicle([rest], vehicle, index_service)
    parameters = pywrapcp.DefaultRoutingSearchParameters()
    strategies = routing_enums_pb2.FirstSolutionStrategy
    parameters.first_solution_strategy = strategies.PARALLEL_CHEAPEST_INSERTION
    searches = routing_enums_pb2.LocalSearchMetaheuristic
    parameters.local_search_metaheuristic = searches.GUIDED_LOCAL_SEARCH
    parameters.time_limit.FromMilliseconds(int(1000 * seconds))
    solution = routing.SolveWithParameters(parameters)
    found: dict[str, list[str]] = {}
    if solution is None:
        return found
    for vehicle, shift in enumerate(shifts):
        index = solution.Value(routing.NextVar(routing.Start(vehicle)))
        while not routing.IsEnd(index):
            found.setdefault(shift.id, []).append(visits[manager.IndexToNode(index)].id)
            index = solution.Value(routing.NextVar(index))
    return found


def _set_costs(
    problem: Problem,
    manager: pywrapcp.RoutingIndexManager,
    routing: pywrapcp.RoutingModel,
    travel: list[list[int]],
) -> None:
    if not any(visit.shift_costs for visit in problem.visits):
        routing.SetArcCostEvaluatorOfAllVehicles(routing.RegisterTransitMatrix(travel))
        return
    for vehicle, shift in enumerate(problem.shifts):
        entering = [visit.shift_costs.get(shift.id, 0) for visit in problem.visits]

        def cost(origin: int, target: int, entering: list[int] = entering) -> int:
            to = manager.IndexToNode(target)
            extra = entering[to] if to < len(entering) else 0
            return travel[manager.IndexToNode(origin)][to] + extra

        routing.SetArcCostEvaluatorOfVehicle(routing.RegisterTransitCallback(cost), vehicle)


def _add_visit(
    problem: Problem,
    routing: pywrapcp.RoutingModel,
    time: pywrapcp.RoutingDimension,
    index: int,
    visit: Visit,
) -> None:
    windows = visit.start_windows
    if visit.pinned is not None:
        windows = ((visit.pinned.start, visit.pinned.start),)
    able = [
        vehicle
        for vehicle, shift in enumerate(problem.shifts)
        if visit.skills <= shift.skills
        and (visit.pinned is None or visit.pinned.shift == shift.id)
        and any(first <= shift.end and last >= shift.start for first, last in windows)
    ]
    price = visit.leave_out_cost if visit.pinned is None else PINNED
    routing.AddDisjunction([index], price)
    # -1 stands for "dropped"; without a shift nothing else is left
    routing.VehicleVar(index).SetValues([-1, *able])
    if windows:
        start = time.CumulVar(index)
        start.SetRange(windows[0][0], windows[-1][1])
        for (_, last), (first, _) in pairwise(windows):
            if last + 1 < first:
                start.RemoveInterval(last + 1, first - 1)
