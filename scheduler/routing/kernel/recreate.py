"""In which order the visits of the pool are put back, and what gives way to them."""

from scheduler.routing.kernel.chance import below, uniform
from scheduler.routing.kernel.compiling import compiled
from scheduler.routing.kernel.insertion import (
    is_overlooked,
    price,
    price_everywhere,
    scan_swaps,
)
from scheduler.routing.kernel.layout import (
    FIRST_COST,
    FIRST_OPTION,
    FIRST_SLOT,
    NEXT_AT_SITE,
    OPENED,
    OPTION_SHIFT,
    POOL,
    ROW_OF,
    SECOND_COST,
    SECOND_OPTION,
    VISIT_OPTIONS,
    Rules,
    Search,
    World,
)
from scheduler.routing.kernel.rows import find_option, insert, remove
from scheduler.routing.kernel.sites import is_barred, is_loose


@compiled
def sort_pool(world: World, search: Search) -> None:
    """Bring the pool into one of the orders, ties at random, or a random one."""
    pool, keys = search.lists, search.keys
    order = below(search, world.ranks.shape[0] + 1) - 1
    for step in range(search.tally[POOL]):
        visit = pool[POOL, step]
        key = below(search, 1 << 30)
        if order >= 0:
            key += int(world.ranks[order, visit]) << 30
        hole = step
        while hole > 0 and keys[hole - 1] > key:
            keys[hole] = keys[hole - 1]
            pool[POOL, hole] = pool[POOL, hole - 1]
            hole -= 1
        keys[hole] = key
        pool[POOL, hole] = visit


@compiled
def insert_priced(world: World, search: Search, visit: int) -> None:
    """Put a visit where `price_everywhere` found its cheapest place."""
    state = search.states
    insert(world, search, state[visit, FIRST_OPTION], visit, state[visit, FIRST_SLOT])


@compiled
def take_place(world: World, search: Search, visit: int) -> bool:
    """Put a visit in the place of one that is cheaper to leave out, which joins the pool."""
    best = 0
    best_option = -1
    best_position = 0
    if is_loose(world, search, visit):
        end = world.visits[visit + 1, VISIT_OPTIONS]
        for option in range(world.visits[visit, VISIT_OPTIONS], end):
            change, position = scan_swaps(world, search, option, visit, best)
            if change < best:
                best, best_option, best_position = change, option, position
    else:
        for step in range(search.tally[OPENED]):
            option = find_option(world, visit, search.lists[OPENED, step])
            if option >= 0:
                change, position = scan_swaps(world, search, option, visit, best)
                if change < best:
                    best, best_option, best_position = change, option, position
    if best_option < 0:
        return False
    row = world.options[best_option, OPTION_SHIFT]
    remove(world, search, row, best_position, best_position + 1, 0, 0)
    insert(world, search, best_option, visit, best_position - 1)
    return True


@compiled
def place_in_order(world: World, search: Search, swap: bool) -> None:
    """Put each visit of the pool where it costs least, in the order of the pool."""
    pool, tally = search.lists, search.tally
    step = 0
    left = 0
    while step < tally[POOL]:
        visit = pool[POOL, step]
        step += 1
        price_everywhere(world, search, visit)
        room = tally[POOL] < pool.shape[1]  # for the visit that gives way
        if search.states[visit, FIRST_OPTION] >= 0:
            insert_priced(world, search, visit)
        elif not (swap and room and take_place(world, search, visit)):
            pool[POOL, left] = visit
            left += 1
    tally[POOL] = left


@compiled
def reprice(world: World, search: Search, visit: int, row: int) -> None:
    """Bring the two cheapest options of a visit up to date after one row has changed.

    Only when one of them has become so dear that a third may be cheaper is everything looked at.
    """
    option = find_option(world, visit, row)
    if option < 0:
        return
    states = search.states
    is_first = states[visit, FIRST_OPTION] == option
    is_second = states[visit, SECOND_OPTION] == option
    is_open = is_first or is_second or not is_overlooked(search, option)
    if not is_open or is_barred(world, search, visit, row):
        return
    cost, slot = price(world, search, option, visit)
    if cost > states[visit, SECOND_COST]:
        if is_first or is_second:
            price_everywhere(world, search, visit)
    elif is_first or cost < states[visit, FIRST_COST]:
        if not is_first:
            states[visit, SECOND_COST] = states[visit, FIRST_COST]
            states[visit, SECOND_OPTION] = states[visit, FIRST_OPTION]
        states[visit, FIRST_COST] = cost
        states[visit, FIRST_OPTION] = option
        states[visit, FIRST_SLOT] = slot
    else:
        states[visit, SECOND_COST] = cost
        states[visit, SECOND_OPTION] = option


@compiled
def place_by_regret(world: World, search: Search) -> None:
    """Put back first whatever would lose most by waiting: second cheapest minus cheapest."""
    pool, states, tally = search.lists, search.states, search.tally
    for step in range(tally[POOL]):
        price_everywhere(world, search, pool[POOL, step])
    while True:
        chosen = -1
        largest = -1
        for step in range(tally[POOL]):
            visit = pool[POOL, step]
            regret = states[visit, SECOND_COST] - states[visit, FIRST_COST]
            if states[visit, FIRST_OPTION] >= 0 and regret > largest:
                chosen = step
                largest = regret
        if chosen < 0:
            return
        visit = pool[POOL, chosen]
        tally[POOL] -= 1
        pool[POOL, chosen] = pool[POOL, tally[POOL]]
        insert_priced(world, search, visit)
        for step in range(tally[POOL]):
            reprice(world, search, pool[POOL, step], states[visit, ROW_OF])
        other = world.visits[visit, NEXT_AT_SITE]
        while other != visit:  # other rows than this one may be barred to it from now on
            if states[other, ROW_OF] < 0:
                price_everywhere(world, search, other)
            other = world.visits[other, NEXT_AT_SITE]


@compiled
def recreate(world: World, search: Search, rules: Rules) -> None:
    """Put the pool back; what stays in it is left out."""
    sort_pool(world, search)
    if uniform(search) < rules.regret_share:
        place_by_regret(world, search)
    place_in_order(world, search, uniform(search) < rules.swap_share)
