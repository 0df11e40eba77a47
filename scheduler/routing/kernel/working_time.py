"""How long a round takes from its latest departure to its earliest return, waiting included."""

from scheduler.routing.kernel.compiling import compiled
from scheduler.routing.kernel.labels import (
    free_after,
    latest_out_before_break,
    ready_after_break,
    ready_before,
)
from scheduler.routing.kernel.layout import (
    BASE,
    LEG,
    LENGTH,
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
