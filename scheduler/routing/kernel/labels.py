"""When a round can be where, in both states of the break: still due, or done.

Leaving earlier is never worse and being allowed to arrive later is never worse, so one earliest
and one latest time per node and state hold all there is to know about the rest of the round.
Inserting a visit between two nodes is then tested without looking at any other node.
"""

from scheduler.routing.kernel.compiling import compiled
from scheduler.routing.kernel.layout import (
    IN_DONE,
    IN_DUE,
    LEG,
    NEVER,
    OPTION,
    OUT_DONE,
    OUT_DUE,
    PLACE,
    VISIT,
    Search,
    World,
)


@compiled
def soonest_start(world: World, option: int, ready: int) -> int:
    """The first minute at or after `ready` inside a start window; NEVER if there is none."""
    for window in range(world.option_window_first[option], world.option_window_last[option] + 1):
        if ready <= world.window_high[window]:
            return max(ready, int(world.window_low[window]))
    return NEVER


@compiled
def latest_start(world: World, option: int, by: int) -> int:
    """The last minute at or before `by` inside a start window; -NEVER if there is none."""
    first = int(world.option_window_first[option])
    for window in range(int(world.option_window_last[option]), first - 1, -1):
        if by >= world.window_low[window]:
            return min(by, int(world.window_high[window]))
    return -NEVER


@compiled
def ready_after_break(world: World, shift: int, out: int, leg: int) -> int:
    """Earliest arrival over a leg with the break on it, having left at `out`; NEVER if too late."""
    earliest = int(world.pause_earliest[shift])
    minutes = int(world.pause_minutes[shift])
    if max(out, earliest) + minutes > world.pause_latest[shift]:
        return NEVER
    return max(out + leg, earliest) + minutes


@compiled
def latest_out_before_break(world: World, shift: int, ready: int, leg: int) -> int:
    """Latest departure over a leg with the break on it to be ready at `ready`; -NEVER if none."""
    minutes = int(world.pause_minutes[shift])
    if world.pause_earliest[shift] + minutes > ready:
        return -NEVER
    return min(ready - leg, int(world.pause_latest[shift])) - minutes


@compiled
def fits(
    world: World,
    search: Search,
    option: int,
    minutes: int,
    before: int,
    after: int,
    leg_in: int,
    leg_out: int,
) -> bool:
    """Whether a visit fits between two nodes, the break falling before, beside or after it."""
    nodes = search.nodes
    shift = int(world.option_shift[option])
    due = int(nodes[before, OUT_DUE])
    done = int(nodes[before, OUT_DONE])
    ready = min(done + leg_in, ready_after_break(world, shift, due, leg_in))
    if soonest_start(world, option, ready) + minutes + leg_out <= nodes[after, IN_DONE]:
        return True
    out = soonest_start(world, option, due + leg_in) + minutes
    if out + leg_out <= nodes[after, IN_DUE]:
        return True
    return ready_after_break(world, shift, out, leg_out) <= int(nodes[after, IN_DONE])


@compiled
def label_row(world: World, search: Search, row: int, base: int) -> None:
    """Recompute legs and labels of the row whose first node is `base`."""
    nodes = search.nodes
    last = base + int(search.length[row]) + 1
    for node in range(base + 1, last + 1):
        place_before = int(nodes[node - 1, PLACE])
        leg = int(world.travel[place_before, nodes[node, PLACE]])
        if node == last:
            nodes[node, LEG] = 0 if last == base + 1 else leg
            break
        nodes[node, LEG] = leg
        option = int(nodes[node, OPTION])
        minutes = int(world.visit_minutes[nodes[node, VISIT]])
        due = int(nodes[node - 1, OUT_DUE])
        done = int(nodes[node - 1, OUT_DONE])
        ready = min(done + leg, ready_after_break(world, row, due, leg))
        nodes[node, OUT_DONE] = soonest_start(world, option, ready) + minutes
        nodes[node, OUT_DUE] = soonest_start(world, option, due + leg) + minutes
    for node in range(last - 1, base, -1):
        leg = int(nodes[node + 1, LEG])
        option = int(nodes[node, OPTION])
        minutes = int(world.visit_minutes[nodes[node, VISIT]])
        due = int(nodes[node + 1, IN_DUE])
        done = int(nodes[node + 1, IN_DONE])
        out = max(due - leg, latest_out_before_break(world, row, done, leg))
        nodes[node, IN_DUE] = latest_start(world, option, out - minutes)
        nodes[node, IN_DONE] = latest_start(world, option, done - leg - minutes)


@compiled
def row_stands(world: World, search: Search, row: int, base: int) -> bool:
    """Whether the row whose first node is `base` gets home in time, its break included."""
    if search.length[row] == 0:
        return True
    last = base + int(search.length[row]) + 1
    leg = int(search.nodes[last, LEG])
    due = int(search.nodes[last - 1, OUT_DUE])
    ready = min(
        int(search.nodes[last - 1, OUT_DONE]) + leg, ready_after_break(world, row, due, leg)
    )
    return ready <= int(search.nodes[last, IN_DONE])
