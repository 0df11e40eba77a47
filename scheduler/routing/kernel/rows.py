"""Opening, changing and undoing one row.

Each row has room for two versions of itself.  The first change in an iteration copies the row to
its spare room and works there; undoing turns back to the untouched one, labels, version and all.
"""

from scheduler.routing.kernel.compiling import compiled, inlined
from scheduler.routing.kernel.layout import (
    BASE,
    BUSY_IN,
    CALL_AT,
    DRIVING_LIMIT,
    DRIVING_ROOM,
    HOME_AT,
    ITERATION,
    LAST_VERSION,
    LEG,
    LENGTH,
    LOOSE_AT,
    NEVER,
    NODE_COLUMNS,
    OLD_CALL,
    OLD_COST,
    OLD_DRIVING_ROOM,
    OLD_LENGTH,
    OLD_ROOM,
    OLD_VERSION,
    OPENED,
    OPENED_AT,
    OPTION,
    OPTION_COST,
    OPTION_SHIFT,
    PLACE,
    POOL,
    ROOM,
    ROUND_COST,
    ROW_OF,
    SPARE,
    TRIAL,
    USED,
    VERSION,
    VISIT,
    VISIT_LEAVE_OUT,
    VISIT_OPTIONS,
    VISIT_PINNED,
    VISIT_PLACE,
    WORKING_MINUTES,
    Search,
    World,
)
from scheduler.routing.kernel.supplies import label_row


@inlined
def find_option(world: World, visit: int, row: int) -> int:
    """Return the option of a visit on a row, found by halving; -1 when there is none."""
    low = world.visits[visit, VISIT_OPTIONS]
    end = world.visits[visit + 1, VISIT_OPTIONS]
    high = end
    while low < high:
        middle = (low + high) >> 1
        if world.options[middle, OPTION_SHIFT] < row:
            low = middle + 1
        else:
            high = middle
    if low < end and world.options[low, OPTION_SHIFT] == row:
        return int(low)
    return -1


@compiled
def copy_node(search: Search, source: int, target: int) -> None:
    """Copy a node with its labels."""
    for column in range(NODE_COLUMNS):
        search.nodes[target, column] = search.nodes[source, column]


@compiled
def turn_row(search: Search, row: int) -> None:
    """Let a row show its other version."""
    base = search.rows[row, BASE]
    search.rows[row, BASE] = search.rows[row, SPARE]
    search.rows[row, SPARE] = base


@inlined
def open_row(search: Search, row: int) -> None:
    """Make a row changeable in this iteration and give it a new version."""
    rows, tally = search.rows, search.tally
    if rows[row, OPENED_AT] != tally[ITERATION]:
        rows[row, OPENED_AT] = tally[ITERATION]
        search.lists[OPENED, tally[OPENED]] = row
        tally[OPENED] += 1
        rows[row, OLD_LENGTH] = rows[row, LENGTH]
        rows[row, OLD_VERSION] = search.lists[VERSION, row]
        rows[row, OLD_ROOM] = rows[row, ROOM]
        rows[row, OLD_COST] = rows[row, ROUND_COST]
        rows[row, OLD_CALL] = rows[row, CALL_AT]
        rows[row, OLD_DRIVING_ROOM] = rows[row, DRIVING_ROOM]
        turn_row(search, row)
        for step in range(rows[row, LENGTH] + 2):
            copy_node(search, rows[row, SPARE] + step, rows[row, BASE] + step)
    tally[LAST_VERSION] += 1
    search.lists[VERSION, row] = tally[LAST_VERSION]


@inlined
def insert(world: World, search: Search, option: int, visit: int, slot: int) -> None:
    """Put a visit into the row of an option, after `slot` other visits."""
    row = world.options[option, OPTION_SHIFT]
    open_row(search, row)
    search.tally[TRIAL] += world.options[option, OPTION_COST] - search.rows[row, ROUND_COST]
    node = search.rows[row, BASE] + slot + 1
    for later in range(search.rows[row, BASE] + search.rows[row, LENGTH] + 1, node - 1, -1):
        copy_node(search, later, later + 1)
    search.nodes[node, VISIT] = visit
    search.nodes[node, OPTION] = option
    search.nodes[node, PLACE] = world.visits[visit, VISIT_PLACE]
    search.tally[USED] += search.rows[row, LENGTH] == 0
    search.rows[row, LENGTH] += 1
    label_row(world, search, row)
    search.tally[TRIAL] += search.rows[row, ROUND_COST] - world.visits[visit, VISIT_LEAVE_OUT]
    search.states[visit, ROW_OF] = row


@inlined
def remove(
    world: World, search: Search, row: int, begin: int, end: int, keep_begin: int, keep_end: int
) -> None:
    """Move the visits at positions [begin, end) of a row to the pool, 1 being the first position.

    Those at [keep_begin, keep_end) stay, and so do pinned ones.
    """
    nodes, tally = search.nodes, search.tally
    open_row(search, row)
    tally[TRIAL] -= search.rows[row, ROUND_COST]
    base = search.rows[row, BASE]
    length = search.rows[row, LENGTH]
    target = base + begin
    for position in range(begin, length + 1):
        node = base + position
        visit = nodes[node, VISIT]
        spared = position >= end or keep_begin <= position < keep_end
        if spared or world.visits[visit, VISIT_PINNED] == 1:
            copy_node(search, node, target)
            target += 1
        else:
            tally[TRIAL] += world.visits[visit, VISIT_LEAVE_OUT]
            tally[TRIAL] -= world.options[nodes[node, OPTION], OPTION_COST]
            search.states[visit, ROW_OF] = -1
            search.states[visit, LOOSE_AT] = tally[ITERATION]
            search.lists[POOL, tally[POOL]] = visit
            tally[POOL] += 1
    copy_node(search, base + length + 1, target)
    search.rows[row, LENGTH] = target - base - 1
    tally[USED] -= search.rows[row, LENGTH] == 0
    label_row(world, search, row)
    tally[TRIAL] += search.rows[row, ROUND_COST]


@compiled
def empty_row(world: World, search: Search, row: int) -> None:
    """Take every visit out of a row that is open, pinned ones too, into no list."""
    rows, nodes, tally = search.rows, search.nodes, search.tally
    end = rows[row, BASE] + rows[row, LENGTH] + 1
    first = rows[row, BASE] + 1
    for node in range(first, end):
        visit = nodes[node, VISIT]
        tally[TRIAL] += world.visits[visit, VISIT_LEAVE_OUT]
        tally[TRIAL] -= world.options[nodes[node, OPTION], OPTION_COST]
        search.states[visit, ROW_OF] = -1
    tally[TRIAL] -= rows[row, ROUND_COST]
    tally[USED] -= rows[row, LENGTH] > 0
    copy_node(search, end, first)
    nodes[first, LEG] = 0
    if nodes.shape[1] > NODE_COLUMNS:
        nodes[first, BUSY_IN], nodes[first, HOME_AT] = 0, -NEVER
    rows[row, LENGTH] = rows[row, ROUND_COST] = rows[row, CALL_AT] = 0
    rows[row, ROOM] = world.shifts[row, WORKING_MINUTES]
    rows[row, DRIVING_ROOM] = world.shifts[row, DRIVING_LIMIT]


@compiled
def undo_row(search: Search, row: int) -> None:
    """Turn an opened row back to what it was."""
    rows = search.rows
    search.tally[USED] += rows[row, OLD_LENGTH] > 0
    search.tally[USED] -= rows[row, LENGTH] > 0
    turn_row(search, row)
    rows[row, LENGTH] = rows[row, OLD_LENGTH]
    search.lists[VERSION, row] = rows[row, OLD_VERSION]
    rows[row, ROOM] = rows[row, OLD_ROOM]
    rows[row, ROUND_COST] = rows[row, OLD_COST]
    rows[row, CALL_AT] = rows[row, OLD_CALL]
    rows[row, DRIVING_ROOM] = rows[row, OLD_DRIVING_ROOM]


@compiled
def is_changed(search: Search, row: int) -> bool:
    """Tell whether an opened row holds other visits, or in another order, than before."""
    rows, nodes = search.rows, search.nodes
    if rows[row, LENGTH] != rows[row, OLD_LENGTH]:
        return True
    for step in range(1, rows[row, LENGTH] + 1):
        if nodes[rows[row, BASE] + step, VISIT] != nodes[rows[row, SPARE] + step, VISIT]:
            return True
    return False


@compiled
def note_members(search: Search, row: int, value: int) -> None:
    """Set ROW_OF of all visits in a row."""
    base = search.rows[row, BASE]
    for node in range(base + 1, base + search.rows[row, LENGTH] + 1):
        search.states[search.nodes[node, VISIT], ROW_OF] = value


@compiled
def undo(search: Search) -> None:
    """Turn every opened row back to what it was."""
    for step in range(search.tally[OPENED]):
        note_members(search, search.lists[OPENED, step], -1)
    for step in range(search.tally[OPENED]):
        row = search.lists[OPENED, step]
        undo_row(search, row)
        note_members(search, row, row)
