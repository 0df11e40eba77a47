"""What to accept: simulated annealing over ruin and recreate.  `advance` is called from Python."""

import math

from scheduler.routing.kernel.chance import below, uniform
from scheduler.routing.kernel.compiling import compiled
from scheduler.routing.kernel.insertion import fits_after, price
from scheduler.routing.kernel.labels import row_stands
from scheduler.routing.kernel.layout import (
    ABSENT,
    BASE,
    BEST,
    BEST_BASE,
    BEST_CALL,
    BEST_LENGTH,
    BLINKING,
    CALL_AT,
    CAREFUL,
    COST,
    GIVEN_ROW,
    GIVEN_START,
    IS_STALE,
    ITERATION,
    LENGTH,
    LOOSE_AT,
    NOWHERE,
    OPENED,
    POOL,
    RELUCTANCE,
    ROW_OF,
    SPARE,
    STALE,
    TRIAL,
    VISIT,
    VISIT_LEAVE_OUT,
    VISIT_PINNED,
    WORKSHOP,
    Rules,
    Search,
    World,
)
from scheduler.routing.kernel.recreate import place_in_order, recreate
from scheduler.routing.kernel.rows import (
    empty_row,
    find_option,
    insert,
    is_changed,
    undo,
    undo_row,
)
from scheduler.routing.kernel.ruin import ruin
from scheduler.routing.kernel.sites import is_barred


@compiled
def remember_best(search: Search) -> None:
    """Copy the rows that differ from the best plan into it."""
    rows, tally = search.rows, search.tally
    tally[BEST] = tally[COST]
    for step in range(tally[STALE]):
        row = search.lists[STALE, step]
        rows[row, IS_STALE] = 0
        rows[row, BEST_LENGTH] = rows[row, LENGTH]
        rows[row, BEST_CALL] = rows[row, CALL_AT]
        for position in range(rows[row, LENGTH]):
            visit = search.nodes[rows[row, BASE] + 1 + position, VISIT]
            search.best[rows[row, BEST_BASE] + position] = visit
    tally[STALE] = 0


@compiled
def keep(search: Search, absent_before: int) -> None:
    """Make the trial the current plan; what is left in the pool is absent from now on.

    `absent_before` counts the absent visits that did not join the pool.
    """
    lists, tally = search.lists, search.tally
    tally[COST] = tally[TRIAL]
    tally[ABSENT] = absent_before
    for step in range(tally[POOL]):
        lists[ABSENT, tally[ABSENT]] = lists[POOL, step]
        tally[ABSENT] += 1
    for step in range(tally[OPENED]):
        row = lists[OPENED, step]
        if not is_changed(search, row):
            undo_row(search, row)  # so that what is remembered of it stays valid
        elif search.rows[row, IS_STALE] == 0:
            search.rows[row, IS_STALE] = 1
            lists[STALE, tally[STALE]] = row
            tally[STALE] += 1
    if tally[COST] < tally[BEST]:
        remember_best(search)


@compiled
def draw_absent(search: Search, rules: Rules) -> int:
    """Let some absent visits join the pool; return how many did not.

    Now and then they are allowed to look at all their rounds, not only at those just opened.
    """
    lists, tally = search.lists, search.tally
    everywhere = uniform(search) < rules.full_scan_share
    last = tally[ABSENT]
    while last > max(0, tally[ABSENT] - rules.absent_limit):
        drawn = below(search, last)
        last -= 1
        visit = lists[ABSENT, drawn]
        lists[ABSENT, drawn] = lists[ABSENT, last]
        lists[ABSENT, last] = visit
        lists[POOL, tally[POOL]] = visit
        tally[POOL] += 1
        if everywhere:
            search.states[visit, LOOSE_AT] = tally[ITERATION]
    return int(last)


@compiled
def place_given(world: World, search: Search, visit: int, asking: bool) -> None:
    """Put a visit where the plan to start from has it; or, asking, where it fits in that row.

    Pinned visits are put where they belong without asking: the problem has made sure of them.
    """
    rows = search.rows
    row = world.visits[visit, GIVEN_ROW]
    option = find_option(world, visit, row)
    pinned = world.visits[visit, VISIT_PINNED] == 1
    if option < 0 or (not pinned and is_barred(world, search, visit, row)):
        return
    base = rows[row, BASE]
    slot = 0
    while slot < rows[row, LENGTH] and (
        world.visits[search.nodes[base + slot + 1, VISIT], GIVEN_START]
        <= world.visits[visit, GIVEN_START]
    ):
        slot += 1
    if asking and not pinned:
        unsure = world.shifts[row, CAREFUL] == 1  # of tools and parts, known to a scan only
        if unsure or not fits_after(world, search, option, visit, base + slot):
            cost, slot = price(world, search, option, visit)
            if cost >= NOWHERE:
                return
    elif not pinned and rows[row, LENGTH] + 2 >= abs(rows[row, SPARE] - base):
        return  # more than the row has room for
    insert(world, search, option, visit, slot)


@compiled
def place_all_given(world: World, search: Search) -> None:
    """Take over the rounds of the plan to start from as they are.

    Of a round that can't be driven any more, the visits are placed one after the other.
    """
    rows = search.rows
    for step in range(world.given_order.size):
        place_given(world, search, world.given_order[step], False)
    for row in range(rows.shape[0]):
        lacking = rows[row, CALL_AT] > 0 and world.shifts[row, WORKSHOP] < 0
        if lacking or not row_stands(world, search, row):
            empty_row(world, search, row)
    for step in range(world.given_order.size):
        if search.states[world.given_order[step], ROW_OF] < 0:
            place_given(world, search, world.given_order[step], True)


@compiled
def begin(world: World, search: Search, rules: Rules) -> None:
    """Make the first plan: the given places, then everything else, dearest to leave out first."""
    lists, tally = search.lists, search.tally
    tally[ITERATION] = 0
    tally[RELUCTANCE] = int(rules.reluctance)
    for visit in range(search.states.shape[0]):
        tally[TRIAL] += world.visits[visit, VISIT_LEAVE_OUT]
    place_all_given(world, search)
    for step in range(world.first_order.size):
        visit = world.first_order[step]
        if search.states[visit, ROW_OF] < 0:
            search.states[visit, LOOSE_AT] = 0
            lists[POOL, tally[POOL]] = visit
            tally[POOL] += 1
    place_in_order(world, search, True)
    keep(search, 0)


@compiled
def opened_rows_stand(world: World, search: Search) -> bool:
    """Tell whether every opened row can be driven.

    Inserting asks first, but taking a visit out can break a round where a detour is quicker than
    the direct way.
    """
    for step in range(search.tally[OPENED]):
        if not row_stands(world, search, search.lists[OPENED, step]):
            return False
    return True


@compiled
def try_change(world: World, search: Search, rules: Rules, temperature: float) -> None:
    """Ruin and recreate once; keep the outcome or undo it."""
    tally = search.tally
    tally[TRIAL] = tally[COST]
    tally[OPENED] = 0
    tally[POOL] = 0
    tally[BLINKING] = below(search, 1 << 30) if uniform(search) < rules.blinking_share else 0
    tally[RELUCTANCE] = int(rules.reluctance * uniform(search))
    ruin(world, search, rules)
    absent_before = draw_absent(search, rules)
    recreate(world, search, rules)
    bound = tally[COST] - temperature * math.log(1.0 - uniform(search))
    if tally[TRIAL] < bound and opened_rows_stand(world, search):
        keep(search, absent_before)
    else:
        undo(search)


def advance(
    world: World, search: Search, rules: Rules, iterations: int, offset: float, planned: float
) -> None:
    """Run some iterations; the first call makes the first plan before that.

    The search is through when `offset` plus the iterations run in this call reaches `planned`:
    the temperature falls from hottest to coldest in equal ratios on that way.
    """
    tally = search.tally
    if tally[ITERATION] < 0:
        begin(world, search, rules)
    cooling = math.log(rules.coldest / rules.hottest)
    for step in range(iterations):
        tally[ITERATION] += 1
        progress = min(1.0, (offset + step) / planned)
        try_change(world, search, rules, rules.hottest * math.exp(cooling * progress))
