"""When a round can be where, in both states of the break: still due, or done.

Leaving earlier is never worse and being allowed to arrive later is never worse, so one earliest
and one latest time per node and state hold all there is to know about the rest of the round.
Inserting a visit between two nodes is then tested without looking at any other node.
"""

from scheduler.routing.kernel.compiling import compiled, inlined
from scheduler.routing.kernel.layout import (
    BALANCE,
    BASE,
    CALL_AT,
    DRIVING_LIMIT,
    DRIVING_ROOM,
    FIRST_WINDOW,
    HIGH,
    IN_DONE,
    IN_DUE,
    LAST_WINDOW,
    LEG,
    LENGTH,
    LOW,
    NEVER,
    OPTION,
    OPTION_MINUTES,
    OUT_DONE,
    OUT_DUE,
    PAUSE_EARLIEST,
    PAUSE_LATEST,
    PAUSE_MINUTES,
    PLACE,
    ROOM,
    ROUND_COST,
    USUAL_MINUTES,
    WORKING_MINUTES,
    WORKSHOP,
    WORKSHOP_MINUTES,
    Search,
    World,
)


@compiled
def soonest_start(world: World, option: int, ready: int) -> int:
    """Return the first minute at or after `ready` inside a start window; NEVER if none is."""
    for window in range(
        world.options[option, FIRST_WINDOW], world.options[option, LAST_WINDOW] + 1
    ):
        if ready <= world.windows[window, HIGH]:
            return max(ready, int(world.windows[window, LOW]))
    return NEVER


@compiled
def latest_start(world: World, option: int, by: int) -> int:
    """Return the last minute at or before `by` inside a start window; -NEVER if none is."""
    first = world.options[option, FIRST_WINDOW]
    for window in range(world.options[option, LAST_WINDOW], first - 1, -1):
        if by >= world.windows[window, LOW]:
            return min(by, int(world.windows[window, HIGH]))
    return -NEVER


@compiled
def ready_after_break(world: World, shift: int, out: int, leg: int) -> int:
    """Return the earliest arrival over a leg with the break on it; NEVER if `out` is too late."""
    earliest = world.shifts[shift, PAUSE_EARLIEST]
    minutes = world.shifts[shift, PAUSE_MINUTES]
    if max(out, earliest) + minutes > world.shifts[shift, PAUSE_LATEST]:
        return NEVER
    return int(max(out + leg, earliest) + minutes)


@compiled
def latest_out_before_break(world: World, shift: int, ready: int, leg: int) -> int:
    """Return the latest departure over a leg with the break on it; -NEVER if there is none."""
    minutes = world.shifts[shift, PAUSE_MINUTES]
    if world.shifts[shift, PAUSE_EARLIEST] + minutes > ready:
        return -NEVER
    return int(min(ready - leg, world.shifts[shift, PAUSE_LATEST]) - minutes)


@inlined
def fits(
    world: World,
    search: Search,
    row: int,
    option: int,
    minutes: int,
    before: int,
    after: int,
    leg_in: int,
    leg_out: int,
) -> bool:
    """Tell whether a visit fits between two nodes, the break coming before, beside or after it."""
    nodes = search.nodes
    due = nodes[before, OUT_DUE]
    ready = min(nodes[before, OUT_DONE] + leg_in, ready_after_break(world, row, due, leg_in))
    if soonest_start(world, option, ready) + minutes + leg_out <= nodes[after, IN_DONE]:
        return True
    out = soonest_start(world, option, due + leg_in) + minutes
    if out + leg_out <= nodes[after, IN_DUE]:
        return True
    return bool(ready_after_break(world, row, out, leg_out) <= nodes[after, IN_DONE])


@compiled
def free_after(
    world: World, row: int, option: int, minutes: int, due: int, done: int, leg: int
) -> tuple[int, int]:
    """Return when one is free after a visit, in both states, from the same for the node before."""
    ready = min(done + leg, ready_after_break(world, row, due, leg))
    return (
        soonest_start(world, option, due + leg) + minutes,
        soonest_start(world, option, ready) + minutes,
    )


@compiled
def ready_before(
    world: World, row: int, option: int, minutes: int, due: int, done: int, leg: int
) -> tuple[int, int]:
    """Return when one must start a visit at the latest, from the same for the node after it."""
    out = max(due - leg, latest_out_before_break(world, row, done, leg))
    return (
        latest_start(world, option, out - minutes),
        latest_start(world, option, done - leg - minutes),
    )


@compiled
def over_workshop(world: World, row: int, origin: int, target: int) -> int:
    """Return the minutes of a leg that calls at the workshop."""
    workshop = world.shifts[row, WORKSHOP]
    minutes = world.travel[origin, workshop] + world.travel[workshop, target]
    return int(minutes + world.shifts[row, WORKSHOP_MINUTES])


@compiled
def balance_cost(world: World, search: Search, row: int, more: int) -> int:
    """Return what is charged for the working minutes of a row when there are `more` of them."""
    worked = world.shifts[row, WORKING_MINUTES] - search.rows[row, ROOM] + more
    if worked == 0:
        return 0
    apart = worked - world.shifts[row, USUAL_MINUTES]
    return int((world.shifts[row, BALANCE] * apart * apart + 3599) // 3600)


@compiled
def added_balance(world: World, search: Search, row: int, more: int) -> int:
    """Return by how much that charge changes with some `more` working minutes."""
    return balance_cost(world, search, row, more) - balance_cost(world, search, row, 0)


@inlined
def label_times(world: World, search: Search, row: int) -> None:
    """Work out all legs and labels of a row, its travel, and what room it has left."""
    nodes = search.nodes
    base = search.rows[row, BASE]
    last = base + search.rows[row, LENGTH] + 1
    call = base + search.rows[row, CALL_AT]
    travel = 0
    served = 0
    for node in range(base + 1, last):
        leg = int(world.travel_back[nodes[node, PLACE], nodes[node - 1, PLACE]])
        if node == call:
            leg = over_workshop(world, row, nodes[node - 1, PLACE], nodes[node, PLACE])
        nodes[node, LEG] = leg
        minutes = world.options[nodes[node, OPTION], OPTION_MINUTES]
        due, done = nodes[node - 1, OUT_DUE], nodes[node - 1, OUT_DONE]
        due, done = free_after(world, row, nodes[node, OPTION], minutes, due, done, leg)
        nodes[node, OUT_DUE], nodes[node, OUT_DONE] = due, done
        travel += leg
        served += minutes
    nodes[last, LEG] = 0  # an unused shift costs nothing
    if last > base + 1:
        nodes[last, LEG] = world.travel[nodes[last - 1, PLACE], nodes[last, PLACE]]
    travel += nodes[last, LEG]
    search.rows[row, DRIVING_ROOM] = world.shifts[row, DRIVING_LIMIT] - travel
    search.rows[row, ROUND_COST] = travel
    search.rows[row, ROOM] = world.shifts[row, WORKING_MINUTES] - travel - served
    for node in range(last - 1, base, -1):
        leg = nodes[node + 1, LEG]
        minutes = world.options[nodes[node, OPTION], OPTION_MINUTES]
        due, done = nodes[node + 1, IN_DUE], nodes[node + 1, IN_DONE]
        due, done = ready_before(world, row, nodes[node, OPTION], minutes, due, done, leg)
        nodes[node, IN_DUE], nodes[node, IN_DONE] = due, done


@compiled
def row_stands(world: World, search: Search, row: int) -> bool:
    """Tell whether a row gets home in time, its break included, and does not drive too much."""
    if search.rows[row, LENGTH] == 0:
        return True
    if search.rows[row, DRIVING_ROOM] < 0:
        return False
    nodes = search.nodes
    last = search.rows[row, BASE] + search.rows[row, LENGTH] + 1
    leg = nodes[last, LEG]
    by_break = ready_after_break(world, row, nodes[last - 1, OUT_DUE], leg)
    return bool(min(nodes[last - 1, OUT_DONE] + leg, by_break) <= nodes[last, IN_DONE])
