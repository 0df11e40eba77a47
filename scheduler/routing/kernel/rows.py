"""Opening, changing and undoing one row.

Each row has room for two versions of itself.  The first change in an iteration copies the row to
the other side and works there; undoing turns back to the untouched side, labels, version and all.
"""

from scheduler.routing.kernel.compiling import compiled
from scheduler.routing.kernel.labels import label_row
from scheduler.routing.kernel.layout import (
    ITERATION,
    LEG,
    NODE_COLUMNS,
    OPENED,
    OPTION,
    PLACE,
    POOL,
    TRIAL,
    VERSION,
    VISIT,
    Search,
    World,
)


@compiled
def row_base(world: World, search: Search, row: int) -> int:
    """The first node of the side that the row shows."""
    offset = int(world.row_offset[row])
    if search.side[row] == 0:
        return offset
    return (offset + int(world.row_offset[row + 1])) >> 1


@compiled
def find_option(world: World, visit: int, row: int) -> int:
    """The option of a visit on a row, by halving; -1 when it cannot be planned there."""
    low = int(world.option_first[visit])
    high = int(world.option_first[visit + 1])
    while low < high:
        middle = (low + high) >> 1
        if world.option_shift[middle] < row:
            low = middle + 1
        else:
            high = middle
    if low < world.option_first[visit + 1] and world.option_shift[low] == row:
        return low
    return -1


@compiled
def open_row(world: World, search: Search, row: int) -> int:
    """Make a row changeable in this iteration, give it a new version and return its first node."""
    tally = search.tally
    if search.opened_at[row] != tally[ITERATION]:
        search.opened_at[row] = tally[ITERATION]
        search.opened[tally[OPENED]] = row
        tally[OPENED] += 1
        search.old_length[row] = search.length[row]
        search.old_version[row] = search.version[row]
        source = row_base(world, search, row)
        search.side[row] = 1 - search.side[row]
        target = row_base(world, search, row)
        for step in range(int(search.length[row]) + 2):
            for column in range(NODE_COLUMNS):
                search.nodes[target + step, column] = search.nodes[source + step, column]
    tally[VERSION] += 1
    search.version[row] = tally[VERSION]
    return row_base(world, search, row)


@compiled
def move_node(search: Search, source: int, target: int) -> None:
    """Copy what identifies a node; legs and labels are recomputed afterwards."""
    search.nodes[target, VISIT] = search.nodes[source, VISIT]
    search.nodes[target, OPTION] = search.nodes[source, OPTION]
    search.nodes[target, PLACE] = search.nodes[source, PLACE]


@compiled
def move_end(search: Search, source: int, target: int) -> None:
    """Move the closing node of a row, whose latest times never change."""
    for column in range(NODE_COLUMNS):
        search.nodes[target, column] = search.nodes[source, column]


@compiled
def insert(world: World, search: Search, option: int, visit: int, slot: int) -> None:
    """Put a visit into the row of an option, after `slot` other visits."""
    row = int(world.option_shift[option])
    base = open_row(world, search, row)
    length = int(search.length[row])
    move_end(search, base + length + 1, base + length + 2)
    for node in range(base + length, base + slot, -1):
        move_node(search, node, node + 1)
    node = base + slot + 1
    search.nodes[node, VISIT] = visit
    search.nodes[node, OPTION] = option
    search.nodes[node, PLACE] = world.visit_place[visit]
    search.length[row] = length + 1
    label_row(world, search, row, base)
    search.row_of[visit] = row
    search.option_of[visit] = option


@compiled
def row_travel(search: Search, row: int, base: int) -> int:
    """Travel minutes of a row; an empty row costs nothing."""
    total = 0
    for node in range(base + 1, base + int(search.length[row]) + 2):
        total += int(search.nodes[node, LEG])
    return total


@compiled
def remove(
    world: World, search: Search, row: int, begin: int, end: int, keep_begin: int, keep_end: int
) -> None:
    """Move the visits at positions [begin, end) of a row to the pool, 1 being the first position.

    Those at [keep_begin, keep_end) stay, and so do pinned ones.
    """
    tally = search.tally
    base = open_row(world, search, row)
    travel_before = row_travel(search, row, base)
    length = int(search.length[row])
    target = base + begin
    for position in range(begin, length + 1):
        node = base + position
        visit = int(search.nodes[node, VISIT])
        spared = position >= end or keep_begin <= position < keep_end
        if spared or world.pinned[visit] == 1:
            move_node(search, node, target)
            target += 1
        else:
            option = int(search.nodes[node, OPTION])
            tally[TRIAL] += world.leave_out_cost[visit] - world.option_cost[option]
            search.row_of[visit] = -1
            search.loose_at[visit] = tally[ITERATION]
            search.pool[tally[POOL]] = visit
            tally[POOL] += 1
    move_end(search, base + length + 1, target)
    search.length[row] = target - base - 1
    label_row(world, search, row, base)
    tally[TRIAL] += row_travel(search, row, base) - travel_before


@compiled
def undo(world: World, search: Search) -> None:
    """Turn every opened row back to what it was."""
    for step in range(search.tally[OPENED]):
        row = int(search.opened[step])
        base = row_base(world, search, row)
        for node in range(base + 1, base + int(search.length[row]) + 1):
            search.row_of[search.nodes[node, VISIT]] = -1
    for step in range(search.tally[OPENED]):
        row = int(search.opened[step])
        search.side[row] = 1 - search.side[row]
        search.length[row] = search.old_length[row]
        search.version[row] = search.old_version[row]
        base = row_base(world, search, row)
        for node in range(base + 1, base + int(search.length[row]) + 1):
            visit = search.nodes[node, VISIT]
            search.row_of[visit] = row
            search.option_of[visit] = search.nodes[node, OPTION]
