"""In which order the visits of the pool are put back, and what gives way to them."""

from scheduler.routing.kernel.chance import below, uniform
from scheduler.routing.kernel.compiling import compiled
from scheduler.routing.kernel.insertion import consider, price_everywhere, scan_swaps
from scheduler.routing.kernel.layout import (
    ITERATION,
    OPENED,
    POOL,
    TRIAL,
    Rules,
    Search,
    World,
)
from scheduler.routing.kernel.rows import find_option, insert, remove


@compiled
def sort_pool(world: World, search: Search) -> None:
    """Bring the pool into one of the orders, or a random one."""
    order = below(search, world.rank.shape[0] + 1) - 1
    for step in range(search.tally[POOL]):
        visit = int(search.pool[step])
        key = int(world.rank[order, visit]) if order >= 0 else below(search, 1 << 30)
        hole = step
        while hole > 0 and search.key[hole - 1] > key:
            search.key[hole] = search.key[hole - 1]
            search.pool[hole] = search.pool[hole - 1]
            hole -= 1
        search.key[hole] = key
        search.pool[hole] = visit


@compiled
def insert_priced(world: World, search: Search, visit: int) -> None:
    """Put a visit where `price_everywhere` found its cheapest place."""
    option = int(search.first_option[visit])
    insert(world, search, option, visit, int(search.first_slot[visit]))
    search.tally[TRIAL] += search.first_cost[visit] - world.leave_out_cost[visit]


@compiled
def take_place(world: World, search: Search, visit: int) -> bool:
    """Put a visit in the place of one that is cheaper to leave out, which joins the pool."""
    best = 0
    best_option = -1
    best_position = 0
    if search.loose_at[visit] == search.tally[ITERATION]:
        for option in range(world.option_first[visit], world.option_first[visit + 1]):
            change, position = scan_swaps(world, search, option, visit, best)
            if change < best:
                best, best_option, best_position = change, option, position
    else:
        for step in range(search.tally[OPENED]):
            option = find_option(world, visit, int(search.opened[step]))
            if option >= 0:
                change, position = scan_swaps(world, search, option, visit, best)
                if change < best:
                    best, best_option, best_position = change, option, position
    if best_option < 0:
        return False
    row = int(world.option_shift[best_option])
    trial = int(search.tally[TRIAL]) + best
    remove(world, search, row, best_position, best_position + 1, 0, 0)
    insert(world, search, best_option, visit, best_position - 1)
    search.tally[TRIAL] = trial
    return True


@compiled
def place_in_order(world: World, search: Search, swap: bool) -> None:
    """Put each visit of the pool where it costs least, in the order of the pool."""
    step = 0
    left = 0
    while step < search.tally[POOL]:
        visit = int(search.pool[step])
        step += 1
        price_everywhere(world, search, visit)
        if search.first_option[visit] >= 0:
            insert_priced(world, search, visit)
        elif not (swap and take_place(world, search, visit)):
            search.pool[left] = visit
            left += 1
    search.tally[POOL] = left


@compiled
def place_by_regret(world: World, search: Search) -> None:
    """Put back first whatever would lose most by waiting: second cheapest minus cheapest."""
    tally = search.tally
    for step in range(tally[POOL]):
        price_everywhere(world, search, int(search.pool[step]))
    while True:
        chosen = -1
        chosen_regret = -1
        for step in range(tally[POOL]):
            visit = int(search.pool[step])
            regret = int(search.second_cost[visit] - search.first_cost[visit])
            if search.first_option[visit] >= 0 and regret > chosen_regret:
                chosen = step
                chosen_regret = regret
        if chosen < 0:
            return
        visit = int(search.pool[chosen])
        tally[POOL] -= 1
        search.pool[chosen] = search.pool[tally[POOL]]
        insert_priced(world, search, visit)
        row = int(search.row_of[visit])
        for step in range(tally[POOL]):
            reprice(world, search, int(search.pool[step]), row)


@compiled
def reprice(world: World, search: Search, visit: int, row: int) -> None:
    """Bring the two cheapest options of a visit up to date after one row has changed."""
    first = int(search.first_option[visit])
    second = int(search.second_option[visit])
    if (first >= 0 and world.option_shift[first] == row) or (
        second >= 0 and world.option_shift[second] == row
    ):
        price_everywhere(world, search, visit)
        return
    option = find_option(world, visit, row)
    if option >= 0:
        consider(world, search, option, visit)


@compiled
def recreate(world: World, search: Search, rules: Rules) -> None:
    """Put the pool back; what stays in it is left out."""
    sort_pool(world, search)
    if uniform(search) < rules.regret_share:
        place_by_regret(world, search)
    place_in_order(world, search, uniform(search) < rules.swap_share)
