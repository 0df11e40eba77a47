"""The cheapest place for a visit: in a row, in all its rows, or instead of another."""

from scheduler.routing.kernel.careful import scan_carefully
from scheduler.routing.kernel.compiling import compiled, inlined
from scheduler.routing.kernel.labels import added_balance, fits
from scheduler.routing.kernel.layout import (
    BALANCE,
    BASE,
    BLINKING,
    CAREFUL,
    DRIVING_ROOM,
    FIRST_COST,
    FIRST_OPTION,
    FIRST_SLOT,
    ITERATION,
    LEG,
    LENGTH,
    MEMO_COST,
    MEMO_SLOT,
    MEMO_VERSION,
    NOWHERE,
    OPENED,
    OPENED_AT,
    OPTION,
    OPTION_COST,
    OPTION_MINUTES,
    OPTION_SHIFT,
    PLACE,
    RELUCTANCE,
    ROOM,
    SECOND_COST,
    SECOND_OPTION,
    VERSION,
    VISIT,
    VISIT_LEAVE_OUT,
    VISIT_OPTIONS,
    VISIT_PINNED,
    VISIT_PLACE,
    Search,
    World,
)
from scheduler.routing.kernel.rows import find_option
from scheduler.routing.kernel.sites import is_barred, is_loose

_BLINK_BIT = 24  # of the product of an option and a random number: as good as random


@compiled
def fits_after(world: World, search: Search, option: int, visit: int, before: int) -> bool:
    """Tell whether a visit fits right after the node `before`."""
    place = world.visits[visit, VISIT_PLACE]
    leg_in = int(world.travel[search.nodes[before, PLACE], place])
    leg_out = int(world.travel[place, search.nodes[before + 1, PLACE]])
    minutes = world.options[option, OPTION_MINUTES]
    row = world.options[option, OPTION_SHIFT]
    added = leg_in + leg_out - search.nodes[before + 1, LEG]
    if added > search.rows[row, DRIVING_ROOM]:
        return False
    return fits(world, search, row, option, minutes, before, before + 1, leg_in, leg_out)


@inlined
def scan_row(world: World, search: Search, option: int, visit: int) -> tuple[int, int]:
    """Return cost and slot of the cheapest place in the row of an option; NOWHERE if none."""
    nodes = search.nodes
    row = world.options[option, OPTION_SHIFT]
    place = world.visits[visit, VISIT_PLACE]
    minutes = world.options[option, OPTION_MINUTES]
    base = search.rows[row, BASE]
    room = search.rows[row, ROOM] - minutes  # more travel than that has no room in any case
    bound = min(room, search.rows[row, DRIVING_ROOM]) + 1
    best = bound
    best_slot = 0
    for slot in range(search.rows[row, LENGTH] + 1):
        before = base + slot
        leg_in = int(world.travel_back[place, nodes[before, PLACE]])
        leg_out = int(world.travel[place, nodes[before + 1, PLACE]])
        extra = leg_in + leg_out - nodes[before + 1, LEG]
        if extra < best and fits(
            world, search, row, option, minutes, before, before + 1, leg_in, leg_out
        ):
            best = extra
            best_slot = slot
    if best == bound:
        return NOWHERE, 0
    if world.shifts[row, BALANCE] > 0:
        best += added_balance(world, search, row, minutes + best)
    return best + world.options[option, OPTION_COST], best_slot


@inlined
def price_anew(world: World, search: Search, option: int, visit: int) -> tuple[int, int]:
    """Return cost and slot of the cheapest place in the row of an option, and remember them.

    Rows opened in this iteration are not remembered: most iterations are undone, and the memo of
    the old version is then valid again.
    """
    memo = search.memo
    row = world.options[option, OPTION_SHIFT]
    if world.shifts[row, CAREFUL] == 1:
        cost, slot = scan_carefully(world, search, option, visit)
    else:
        cost, slot = scan_row(world, search, option, visit)
    if search.rows[row, OPENED_AT] != search.tally[ITERATION]:
        memo[option, MEMO_VERSION] = search.lists[VERSION, row]
        memo[option, MEMO_COST] = cost
        memo[option, MEMO_SLOT] = slot
    return cost, slot


@inlined
def price(world: World, search: Search, option: int, visit: int) -> tuple[int, int]:
    """Return what `price_anew` says, from the memo while the row is unchanged.

    Idle rows look dearer than they are: a visit placed alone does not know of those to come.
    """
    memo = search.memo
    row = world.options[option, OPTION_SHIFT]
    if memo[option, MEMO_VERSION] == search.lists[VERSION, row]:
        cost, slot = memo[option, MEMO_COST], memo[option, MEMO_SLOT]
    else:
        cost, slot = price_anew(world, search, option, visit)
    if search.tally[RELUCTANCE] > 0 and search.rows[row, LENGTH] == 0:
        cost += search.tally[RELUCTANCE]
    return cost, slot


@inlined
def is_overlooked(search: Search, option: int) -> bool:
    """Tell whether an option is overlooked: in a blinking iteration about every fourth.

    Several visits may share a round cheaply although each of them would rather go elsewhere.
    """
    return bool((option * search.tally[BLINKING]) >> _BLINK_BIT & 3 == 3)


@inlined
def consider(world: World, search: Search, option: int, visit: int) -> None:
    """Let an option compete for first and second place among the options of a visit."""
    if is_overlooked(search, option):
        return
    states = search.states
    cost, slot = price(world, search, option, visit)
    if cost >= states[visit, SECOND_COST] or is_barred(
        world, search, visit, world.options[option, OPTION_SHIFT]
    ):
        return
    if cost < states[visit, FIRST_COST]:
        states[visit, SECOND_COST] = states[visit, FIRST_COST]
        states[visit, SECOND_OPTION] = states[visit, FIRST_OPTION]
        states[visit, FIRST_COST] = cost
        states[visit, FIRST_OPTION] = option
        states[visit, FIRST_SLOT] = slot
    else:
        states[visit, SECOND_COST] = cost
        states[visit, SECOND_OPTION] = option


@compiled
def consider_all(world: World, search: Search, visit: int) -> None:
    """Let all options of a visit compete; like `consider`, but quicker for many."""
    first, first_option, first_slot = world.visits[visit, VISIT_LEAVE_OUT], -1, 0
    second, second_option = first, -1
    for option in range(world.visits[visit, VISIT_OPTIONS], world.visits[visit + 1, VISIT_OPTIONS]):
        if is_overlooked(search, option):
            continue
        cost, slot = price(world, search, option, visit)
        if cost >= second or is_barred(world, search, visit, world.options[option, OPTION_SHIFT]):
            continue
        if cost < first:
            second, second_option = first, first_option
            first, first_option, first_slot = cost, option, slot
        else:
            second, second_option = cost, option
    states = search.states
    states[visit, FIRST_COST] = first
    states[visit, FIRST_OPTION] = first_option
    states[visit, FIRST_SLOT] = first_slot
    states[visit, SECOND_COST] = second
    states[visit, SECOND_OPTION] = second_option


@compiled
def price_everywhere(world: World, search: Search, visit: int) -> None:
    """Find the two cheapest options of a visit, leaving it out being one of them.

    A visit the current plan already leaves out fitted nowhere before this iteration, so only
    rows opened since then are looked at.
    """
    states = search.states
    if is_loose(world, search, visit):
        consider_all(world, search, visit)
        return
    states[visit, FIRST_COST] = world.visits[visit, VISIT_LEAVE_OUT]
    states[visit, FIRST_OPTION] = -1
    states[visit, SECOND_COST] = world.visits[visit, VISIT_LEAVE_OUT]
    states[visit, SECOND_OPTION] = -1
    for step in range(search.tally[OPENED]):
        option = find_option(world, visit, search.lists[OPENED, step])
        if option >= 0:
            consider(world, search, option, visit)


@compiled
def scan_swaps(
    world: World, search: Search, option: int, visit: int, bound: int
) -> tuple[int, int]:
    """Return the best change of cost, and where, by replacing a visit cheaper to leave out.

    (bound, 0) when no change is below `bound`, and where working time, tools or parts count.
    """
    nodes = search.nodes
    row = world.options[option, OPTION_SHIFT]
    if world.shifts[row, CAREFUL] == 1 or is_barred(world, search, visit, row):
        return bound, 0
    place = world.visits[visit, VISIT_PLACE]
    minutes = world.options[option, OPTION_MINUTES]
    most = search.rows[row, DRIVING_ROOM]
    leave_out = world.visits[visit, VISIT_LEAVE_OUT]
    base = search.rows[row, BASE]
    best = bound
    best_position = 0
    for position in range(1, search.rows[row, LENGTH] + 1):
        node = base + position
        other = nodes[node, VISIT]
        loss = world.visits[other, VISIT_LEAVE_OUT]
        if loss >= leave_out or world.visits[other, VISIT_PINNED] == 1:
            continue
        leg_in = int(world.travel_back[place, nodes[node - 1, PLACE]])
        leg_out = int(world.travel[place, nodes[node + 1, PLACE]])
        added = leg_in + leg_out - nodes[node, LEG] - nodes[node + 1, LEG]
        change = added + loss - leave_out + world.options[option, OPTION_COST]
        change -= world.options[nodes[node, OPTION], OPTION_COST]
        if world.shifts[row, BALANCE] > 0:
            more = added + minutes - world.options[nodes[node, OPTION], OPTION_MINUTES]
            change += added_balance(world, search, row, more)
        if (
            change < best
            and added <= most
            and fits(world, search, row, option, minutes, node - 1, node + 1, leg_in, leg_out)
        ):
            best = change
            best_position = position
    return best, best_position
