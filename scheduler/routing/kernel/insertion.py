"""The cheapest place for a visit: in one row, in all its rows, or instead of a cheaper visit."""

from scheduler.routing.kernel.compiling import compiled
from scheduler.routing.kernel.labels import fits
from scheduler.routing.kernel.layout import (
    ITERATION,
    LEG,
    NOWHERE,
    OPENED,
    OPTION,
    PLACE,
    VISIT,
    Search,
    World,
)
from scheduler.routing.kernel.rows import find_option, row_base


@compiled
def fits_after(world: World, search: Search, option: int, visit: int, before: int) -> bool:
    """Whether a visit fits right after the node `before`."""
    place = int(world.visit_place[visit])
    leg_in = int(world.travel[search.nodes[before, PLACE], place])
    leg_out = int(world.travel[place, search.nodes[before + 1, PLACE]])
    minutes = int(world.visit_minutes[visit])
    return fits(world, search, option, minutes, before, before + 1, leg_in, leg_out)


@compiled
def scan_row(world: World, search: Search, option: int, visit: int) -> tuple[int, int]:
    """Cost and slot of the cheapest place in the row of an option; (NOWHERE, 0) if none."""
    nodes = search.nodes
    row = int(world.option_shift[option])
    place = int(world.visit_place[visit])
    minutes = int(world.visit_minutes[visit])
    base = row_base(world, search, row)
    best = NOWHERE
    best_slot = 0
    for slot in range(int(search.length[row]) + 1):
        before = base + slot
        leg_in = int(world.travel_back[place, nodes[before, PLACE]])
        leg_out = int(world.travel[place, nodes[before + 1, PLACE]])
        extra = leg_in + leg_out - int(nodes[before + 1, LEG])
        if extra < best and fits(
            world, search, option, minutes, before, before + 1, leg_in, leg_out
        ):
            best = extra
            best_slot = slot
    if best == NOWHERE:
        return NOWHERE, 0
    return best + int(world.option_cost[option]), best_slot


@compiled
def price(world: World, search: Search, option: int, visit: int) -> tuple[int, int]:
    """What `scan_row` says, from the memo while the row is unchanged.

    Rows opened in this iteration are not remembered: most iterations are undone, and the memo of
    the old version is then valid again.
    """
    row = int(world.option_shift[option])
    if search.memo_version[option] == search.version[row]:
        return int(search.memo_cost[option]), int(search.memo_slot[option])
    cost, slot = scan_row(world, search, option, visit)
    if search.opened_at[row] != search.tally[ITERATION]:
        search.memo_version[option] = search.version[row]
        search.memo_cost[option] = cost
        search.memo_slot[option] = slot
    return cost, slot


@compiled
def consider(world: World, search: Search, option: int, visit: int) -> None:
    """Let one option compete for first and second place among the options of a visit."""
    cost, slot = price(world, search, option, visit)
    if cost < search.first_cost[visit]:
        search.second_cost[visit] = search.first_cost[visit]
        search.second_option[visit] = search.first_option[visit]
        search.first_cost[visit] = cost
        search.first_option[visit] = option
        search.first_slot[visit] = slot
    elif cost < search.second_cost[visit]:
        search.second_cost[visit] = cost
        search.second_option[visit] = option


@compiled
def price_everywhere(world: World, search: Search, visit: int) -> None:
    """Find the two cheapest options of a visit, leaving it out being one of them.

    A visit the current plan already leaves out fitted nowhere before this iteration, so only
    rows opened since then are looked at.
    """
    leave_out = int(world.leave_out_cost[visit])
    search.first_cost[visit] = leave_out
    search.first_option[visit] = -1
    search.second_cost[visit] = leave_out
    search.second_option[visit] = -1
    if search.loose_at[visit] == search.tally[ITERATION]:
        for option in range(world.option_first[visit], world.option_first[visit + 1]):
            consider(world, search, option, visit)
    else:
        for step in range(search.tally[OPENED]):
            option = find_option(world, visit, int(search.opened[step]))
            if option >= 0:
                consider(world, search, option, visit)


@compiled
def scan_swaps(
    world: World, search: Search, option: int, visit: int, bound: int
) -> tuple[int, int]:
    """Best change of cost below `bound` by taking the place of a visit cheaper to leave out."""
    nodes = search.nodes
    row = int(world.option_shift[option])
    place = int(world.visit_place[visit])
    minutes = int(world.visit_minutes[visit])
    leave_out = int(world.leave_out_cost[visit])
    cost_here = int(world.option_cost[option]) - leave_out
    base = row_base(world, search, row)
    best = bound
    best_position = 0
    for position in range(1, int(search.length[row]) + 1):
        node = base + position
        other = int(nodes[node, VISIT])
        other_leave_out = int(world.leave_out_cost[other])
        if other_leave_out >= leave_out or world.pinned[other] == 1:
            continue
        leg_in = int(world.travel_back[place, nodes[node - 1, PLACE]])
        leg_out = int(world.travel[place, nodes[node + 1, PLACE]])
        change = leg_in + leg_out - int(nodes[node, LEG]) - int(nodes[node + 1, LEG])
        change += cost_here + other_leave_out - int(world.option_cost[nodes[node, OPTION]])
        if change < best and fits(
            world, search, option, minutes, node - 1, node + 1, leg_in, leg_out
        ):
            best = change
            best_position = position
    return best, best_position
