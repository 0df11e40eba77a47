"""What to accept: simulated annealing over ruin and recreate.  `advance` is called from Python."""

import math

from scheduler.routing.kernel.chance import below, uniform
from scheduler.routing.kernel.compiling import compiled
from scheduler.routing.kernel.insertion import fits_after, scan_row
from scheduler.routing.kernel.labels import row_stands
from scheduler.routing.kernel.layout import (
    ABSENT,
    BEST,
    COST,
    ITERATION,
    NOWHERE,
    OPENED,
    OPTION,
    POOL,
    STALE,
    TRIAL,
    VISIT,
    Rules,
    Search,
    World,
)
from scheduler.routing.kernel.recreate import place_in_order, recreate
from scheduler.routing.kernel.rows import find_option, insert, row_base, row_travel, undo
from scheduler.routing.kernel.ruin import ruin


@compiled
def remember_best(world: World, search: Search) -> None:
    """Copy the rows that differ from the best plan into it."""
    tally = search.tally
    tally[BEST] = tally[COST]
    for step in range(tally[STALE]):
        row = int(search.stale[step])
        search.stale_mark[row] = 0
        search.best_length[row] = search.length[row]
        base = row_base(world, search, row)
        target = int(world.row_offset[row]) >> 1
        for position in range(search.length[row]):
            search.best_visit[target + position] = search.nodes[base + 1 + position, VISIT]
    tally[STALE] = 0


@compiled
def keep(world: World, search: Search, absent_before: int) -> None:
    """Make the trial the current plan; what is left in the pool is absent from now on.

    `absent_before` counts the absent visits that did not join the pool.
    """
    tally = search.tally
    tally[COST] = tally[TRIAL]
    tally[ABSENT] = absent_before
    for step in range(tally[POOL]):
        search.absent[tally[ABSENT]] = search.pool[step]
        tally[ABSENT] += 1
    for step in range(tally[OPENED]):
        row = int(search.opened[step])
        if search.stale_mark[row] == 0:
            search.stale_mark[row] = 1
            search.stale[tally[STALE]] = row
            tally[STALE] += 1
    if tally[COST] < tally[BEST]:
        remember_best(world, search)


@compiled
def draw_absent(search: Search, rules: Rules) -> int:
    """Let some absent visits join the pool; return how many did not.

    Now and then they are allowed to look at all their rounds, not only at those just opened.
    """
    tally = search.tally
    everywhere = uniform(search) < rules.full_scan_share
    last = int(tally[ABSENT])
    while last > max(0, tally[ABSENT] - rules.absent_limit):
        drawn = below(search, last)
        last -= 1
        visit = search.absent[drawn]
        search.absent[drawn] = search.absent[last]
        search.absent[last] = visit
        search.pool[tally[POOL]] = visit
        tally[POOL] += 1
        if everywhere:
            search.loose_at[visit] = tally[ITERATION]
    return last


@compiled
def place_given(world: World, search: Search, visit: int) -> None:
    """Put a visit where the plan to start from has it, or elsewhere in that row, if it fits.

    Pinned visits are put where they belong without asking: the problem has made sure of them.
    """
    row = int(world.given_row[visit])
    option = find_option(world, visit, row)
    if option < 0:
        return
    base = row_base(world, search, row)
    slot = 0
    while slot < search.length[row] and (
        world.given_start[search.nodes[base + slot + 1, VISIT]] <= world.given_start[visit]
    ):
        slot += 1
    if world.pinned[visit] == 0 and not fits_after(world, search, option, visit, base + slot):
        cost, slot = scan_row(world, search, option, visit)
        if cost == NOWHERE:
            return
    insert(world, search, option, visit, slot)


@compiled
def cost_now(world: World, search: Search) -> int:
    """Add up the cost of the current plan."""
    total = 0
    for row in range(world.shift_start.size):
        base = row_base(world, search, row)
        total += row_travel(search, row, base)
        for position in range(1, search.length[row] + 1):
            total += int(world.option_cost[search.nodes[base + position, OPTION]])
    for visit in range(world.visit_place.size):
        if search.row_of[visit] < 0:
            total += int(world.leave_out_cost[visit])
    return total


@compiled
def begin(world: World, search: Search) -> None:
    """Make the first plan: the given places, then everything else, dearest to leave out first."""
    tally = search.tally
    tally[ITERATION] = 0
    for step in range(world.given_order.size):
        place_given(world, search, int(world.given_order[step]))
    for visit in range(world.visit_place.size):
        if search.row_of[visit] < 0:
            search.loose_at[visit] = tally[ITERATION]
    for step in range(world.first_order.size):
        visit = int(world.first_order[step])
        if search.row_of[visit] < 0:
            search.pool[tally[POOL]] = visit
            tally[POOL] += 1
    tally[TRIAL] = cost_now(world, search)
    place_in_order(world, search, True)
    keep(world, search, 0)


@compiled
def opened_rows_stand(world: World, search: Search) -> bool:
    """Whether every opened row can be driven.

    Inserting asks first, but taking a visit out can break a round where a detour is quicker than
    the direct way.
    """
    for step in range(search.tally[OPENED]):
        row = int(search.opened[step])
        if not row_stands(world, search, row, row_base(world, search, row)):
            return False
    return True


@compiled
def try_change(world: World, search: Search, rules: Rules, temperature: float) -> None:
    """Ruin and recreate once; keep the outcome or undo it."""
    tally = search.tally
    tally[TRIAL] = tally[COST]
    tally[OPENED] = 0
    tally[POOL] = 0
    ruin(world, search, rules)
    absent_before = draw_absent(search, rules)
    recreate(world, search, rules)
    bound = tally[COST] - temperature * math.log(1.0 - uniform(search))
    if tally[TRIAL] < bound and opened_rows_stand(world, search):
        keep(world, search, absent_before)
    else:
        undo(world, search)


def advance(
    world: World, search: Search, rules: Rules, iterations: int, offset: float, planned: float
) -> None:
    """Run some iterations; the first call makes the first plan before that.

    The search is through when `offset` plus the iterations run in this call reaches `planned`:
    the temperature falls from hottest to coldest in equal ratios on that way.
    """
    tally = search.tally
    if tally[ITERATION] < 0:
        begin(world, search)
    cooling = math.log(rules.coldest / rules.hottest)
    for step in range(iterations):
        tally[ITERATION] += 1
        progress = min(1.0, (offset + step) / planned)
        try_change(world, search, rules, rules.hottest * math.exp(cooling * progress))
