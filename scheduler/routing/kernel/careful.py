"""The cheapest place for a visit where working time is charged or tools and parts count."""

from scheduler.routing.kernel.compiling import compiled
from scheduler.routing.kernel.labels import added_balance, balance_cost, fits, over_workshop
from scheduler.routing.kernel.layout import (
    BASE,
    CALL_AT,
    DRIVING_ROOM,
    LEG,
    LENGTH,
    NEVER,
    NOWHERE,
    OPTION_COST,
    OPTION_MINUTES,
    OPTION_SHIFT,
    PAUSE_MINUTES,
    PLACE,
    ROOM,
    ROUND_COST,
    STEADY,
    TIMED,
    VISIT_PLACE,
    WORKING_MINUTES,
    WORKSHOP,
    Search,
    World,
)
from scheduler.routing.kernel.supplies import has_supplies
from scheduler.routing.kernel.working_time import minutes_with, steady_minutes_with


@compiled
def added_cost(
    world: World,
    search: Search,
    option: int,
    visit: int,
    before: int,
    leg_in: int,
    leg_out: int,
    bound: int,
) -> int:
    """Return what a visit adds to its row right after `before`; `bound` if that or more."""
    row = world.options[option, OPTION_SHIFT]
    minutes = int(world.options[option, OPTION_MINUTES])
    added = leg_in + leg_out - int(search.nodes[before + 1, LEG])
    if added > search.rows[row, DRIVING_ROOM]:
        return bound
    balance = added_balance(world, search, row, added + minutes)
    lasts = search.rows[row, ROUND_COST] - balance_cost(world, search, row, 0)
    timed = world.shifts[row, TIMED] == 1
    if timed:  # a round takes at least its travel, its visits and its break
        busy = world.shifts[row, WORKING_MINUTES] - search.rows[row, ROOM]
        busy += world.shifts[row, PAUSE_MINUTES]
        least = busy + added + minutes - lasts
    else:
        least = added
    if least + balance >= bound:
        return bound
    if timed and world.shifts[row, STEADY] == 1:
        whole = steady_minutes_with(world, search, option, minutes, before, leg_in, leg_out)
        return int(min(bound, whole - lasts + balance)) if whole < NEVER else bound
    if not fits(world, search, row, option, minutes, before, before + 1, leg_in, leg_out):
        return bound
    if timed:
        whole = minutes_with(world, search, row, option, minutes, before, leg_in, leg_out)
        added = int(whole - lasts)
    return min(bound, added + balance)


@compiled
def scan_carefully(world: World, search: Search, option: int, visit: int) -> tuple[int, int]:
    """Return cost and slot of the cheapest place in the row of an option; NOWHERE if none.

    A visit that lacks something goes after the call at the workshop; a round without a call makes
    one on the way to it.
    """
    nodes = search.nodes
    row = world.options[option, OPTION_SHIFT]
    place = world.visits[visit, VISIT_PLACE]
    base = search.rows[row, BASE]
    call = search.rows[row, CALL_AT]
    supplied = has_supplies(world, search, option, visit)
    best = NOWHERE
    best_slot = 0
    for step in range(2 * search.rows[row, LENGTH] + 2):  # each slot twice: with a call before?
        slot = step >> 1
        before = base + slot
        origin, target = nodes[before, PLACE], nodes[before + 1, PLACE]
        leg_in = int(world.travel_back[place, origin])
        leg_out = int(world.travel[place, target])
        if step & 1:
            begins = call == 0 and not supplied and world.shifts[row, WORKSHOP] >= 0
            if slot + 1 != call and not begins:
                continue
            leg_in = over_workshop(world, row, origin, place)
        else:
            if not supplied and not 0 < call <= slot:
                continue
            if slot + 1 == call:
                leg_out = over_workshop(world, row, place, target)
        cost = added_cost(world, search, option, visit, before, leg_in, leg_out, best)
        if cost < best:
            best = cost
            best_slot = slot
    if best == NOWHERE:
        return NOWHERE, 0
    return best + world.options[option, OPTION_COST], best_slot
