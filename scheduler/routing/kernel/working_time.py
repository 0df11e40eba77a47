"""How long a round takes from its latest departure to its earliest return, waiting included.

In a *steady* row, where no visit has two windows to choose from and no break floats, the return is
max(departure + busy, home) for a departure up to some minute: three numbers say all about a part of
a round, and two parts are joined without looking into them.  After Vidal, Crainic, Gendreau, Prins,
"A unified solution framework for multi-attribute vehicle routing problems", European Journal of
Operational Research 234(3), 2014, section 4.2.  Other rows are gone through from end to end.
"""

from scheduler.routing.kernel.compiling import compiled, inlined
from scheduler.routing.kernel.labels import (
    free_after,
    latest_out_before_break,
    ready_after_break,
    ready_before,
)
from scheduler.routing.kernel.layout import (
    BASE,
    BUSY_IN,
    BUSY_OUT,
    FIRST_WINDOW,
    HIGH,
    HOME_AT,
    IN_DONE,
    LEAVE_BY,
    LEG,
    LENGTH,
    LOW,
    NEVER,
    OPTION,
    OPTION_MINUTES,
    OUT_DONE,
    OUT_DUE,
    PAUSE_MINUTES,
    Search,
    World,
)


@compiled
def from_departure(world: World, row: int, due: int, done: int, leg: int, end: int) -> int:
    """Return the minutes up to `end` when one leaves as late as the first node and leg allow."""
    if world.shifts[row, PAUSE_MINUTES] == 0:
        return end - (done - leg)
    return end - max(due - leg, latest_out_before_break(world, row, done, leg))


@compiled
def label_spans(world: World, search: Search, row: int) -> None:
    """Work out the labels of a steady row for the two parts of the round at each node."""
    nodes = search.nodes
    base = search.rows[row, BASE]
    last = base + search.rows[row, LENGTH] + 1
    nodes[base, BUSY_OUT], nodes[base, LEAVE_BY] = 0, NEVER
    for node in range(base + 1, last):
        busy = nodes[node - 1, BUSY_OUT] + nodes[node, LEG]
        high = world.windows[world.options[nodes[node, OPTION], FIRST_WINDOW], HIGH]
        nodes[node, LEAVE_BY] = min(nodes[node - 1, LEAVE_BY], high - busy)
        nodes[node, BUSY_OUT] = busy + world.options[nodes[node, OPTION], OPTION_MINUTES]
    nodes[last, BUSY_IN], nodes[last, HOME_AT] = 0, -NEVER
    for node in range(last - 1, base, -1):
        busy = nodes[node + 1, BUSY_IN] + nodes[node + 1, LEG]
        busy += world.options[nodes[node, OPTION], OPTION_MINUTES]
        low = world.windows[world.options[nodes[node, OPTION], FIRST_WINDOW], LOW]
        nodes[node, HOME_AT] = max(nodes[node + 1, HOME_AT], low + busy)
        nodes[node, BUSY_IN] = busy


@compiled
def steady_minutes(world: World, search: Search, row: int) -> int:
    """Return the working time of a steady row that is labelled; 0 when it makes no visit."""
    nodes = search.nodes
    base = search.rows[row, BASE]
    last = base + search.rows[row, LENGTH] + 1
    if last == base + 1:
        return 0
    end = nodes[last - 1, OUT_DONE] + nodes[last, LEG]
    busy = nodes[last - 1, BUSY_OUT] + nodes[last, LEG]
    return int(max(busy, end - nodes[last - 1, LEAVE_BY]))


@inlined
def steady_minutes_with(
    world: World,
    search: Search,
    option: int,
    minutes: int,
    before: int,
    leg_in: int,
    leg_out: int,
) -> int:
    """Return the working time of a steady row with a visit added right after the node `before`.

    NEVER when it does not fit there.
    """
    nodes = search.nodes
    window = world.options[option, FIRST_WINDOW]
    low, high = world.windows[window, LOW], world.windows[window, HIGH]
    ready = nodes[before, OUT_DONE] + leg_in
    by = min(high, nodes[before + 1, IN_DONE] - leg_out - minutes)
    if max(ready, low) > by:
        return NEVER
    rest = minutes + leg_out + nodes[before + 1, BUSY_IN]
    end = max(max(ready, low) + rest, nodes[before + 1, HOME_AT])
    gone = nodes[before, BUSY_OUT] + leg_in
    leave = min(nodes[before, LEAVE_BY], by - gone)
    return int(max(gone + rest, end - leave))


@compiled
def round_minutes(world: World, search: Search, row: int) -> int:
    """Return the working time of a row that is labelled; 0 when it makes no visit."""
    nodes = search.nodes
    base = search.rows[row, BASE]
    last = base + search.rows[row, LENGTH] + 1
    if last == base + 1:
        return 0
    leg = nodes[last, LEG]
    by_break = ready_after_break(world, row, nodes[last - 1, OUT_DUE], leg)
    end = int(min(nodes[last - 1, OUT_DONE] + leg, by_break))
    due, done = -NEVER, end
    for node in range(last - 1, base, -1):
        option = nodes[node, OPTION]
        minutes = world.options[option, OPTION_MINUTES]
        due, done = ready_before(world, row, option, minutes, due, done, nodes[node + 1, LEG])
    return from_departure(world, row, due, done, nodes[base + 1, LEG], end)


@compiled
def minutes_with(
    world: World,
    search: Search,
    row: int,
    option: int,
    minutes: int,
    before: int,
    leg_in: int,
    leg_out: int,
) -> int:
    """Return the working time of a row with a visit added right after the node `before`.

    The visit must fit there.
    """
    nodes = search.nodes
    base = search.rows[row, BASE]
    last = base + search.rows[row, LENGTH] + 1
    due, done = nodes[before, OUT_DUE], nodes[before, OUT_DONE]
    due, done = free_after(world, row, option, minutes, due, done, leg_in)
    leg = leg_out
    for node in range(before + 1, last):
        on_site = world.options[nodes[node, OPTION], OPTION_MINUTES]
        due, done = free_after(world, row, nodes[node, OPTION], on_site, due, done, leg)
        leg = nodes[node + 1, LEG]
    end = int(min(done + leg, ready_after_break(world, row, due, leg)))
    due, done = -NEVER, end
    for node in range(last - 1, before, -1):
        on_site = world.options[nodes[node, OPTION], OPTION_MINUTES]
        leg = nodes[node + 1, LEG]
        due, done = ready_before(world, row, nodes[node, OPTION], on_site, due, done, leg)
    due, done = ready_before(world, row, option, minutes, due, done, leg_out)
    leg = leg_in
    for node in range(before, base, -1):
        on_site = world.options[nodes[node, OPTION], OPTION_MINUTES]
        due, done = ready_before(world, row, nodes[node, OPTION], on_site, due, done, leg)
        leg = nodes[node, LEG]
    return from_departure(world, row, due, done, leg, end)
