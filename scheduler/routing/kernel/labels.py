"""When a round can be where, in both states of the break: still due, or done.

Leaving earlier is never worse and being allowed to arrive later is never worse, so one earliest
and one latest time per node and state hold all there is to know about the rest of the round.
Inserting a visit between two nodes is then tested without looking at any other node.
"""

from scheduler.routing.kernel.compiling import compiled
from scheduler.routing.kernel.layout import (
    BASE,
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
    OUT_DONE,
    OUT_DUE,
    PAUSE_EARLIEST,
    PAUSE_LATEST,
    PAUSE_MINUTES,
    PLACE,
    ROOM,
    VISIT,
    VISIT_MINUTES,
    WORKING_MINUTES,
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


@compiled
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
def label_row(world: World, search: Search, row: int) -> None:
    """Work out all legs and labels of a row, and what room it has left."""
    nodes = search.nodes
    room = world.shifts[row, WORKING_MINUTES]
    base = search.rows[row, BASE]
    last = base + search.rows[row, LENGTH] + 1
    for node in range(base + 1, last):
        leg = world.travel_back[nodes[node, PLACE], nodes[node - 1, PLACE]]
        nodes[node, LEG] = leg
        option = nodes[node, OPTION]
        minutes = world.visits[nodes[node, VISIT], VISIT_MINUTES]
        due = nodes[node - 1, OUT_DUE]
        ready = min(nodes[node - 1, OUT_DONE] + leg, ready_after_break(world, row, due, leg))
        nodes[node, OUT_DONE] = soonest_start(world, option, ready) + minutes
        nodes[node, OUT_DUE] = soonest_start(world, option, due + leg) + minutes
        room -= leg + minutes
    nodes[last, LEG] = 0  # an unused shift costs nothing
    if last > base + 1:
        nodes[last, LEG] = world.travel[nodes[last - 1, PLACE], nodes[last, PLACE]]
    search.rows[row, ROOM] = room - nodes[last, LEG]
    for node in range(last - 1, base, -1):
        leg = nodes[node + 1, LEG]
        option = nodes[node, OPTION]
        minutes = world.visits[nodes[node, VISIT], VISIT_MINUTES]
        done = nodes[node + 1, IN_DONE]
        out = max(nodes[node + 1, IN_DUE] - leg, latest_out_before_break(world, row, done, leg))
        nodes[node, IN_DUE] = latest_start(world, option, out - minutes)
        nodes[node, IN_DONE] = latest_start(world, option, done - leg - minutes)


@compiled
def row_stands(world: World, search: Search, row: int) -> bool:
    """Tell whether a row gets home in time, its break included."""
    if search.rows[row, LENGTH] == 0:
        return True
    nodes = search.nodes
    last = search.rows[row, BASE] + search.rows[row, LENGTH] + 1
    leg = nodes[last, LEG]
    by_break = ready_after_break(world, row, nodes[last - 1, OUT_DUE], leg)
    return bool(min(nodes[last - 1, OUT_DONE] + leg, by_break) <= nodes[last, IN_DONE])
