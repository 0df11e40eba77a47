"""Tools and parts: what a round has with it, and where it calls at the workshop for the rest.

After the call neither tools nor parts bind.  A call is no visit: it is a leg that takes the way
over the workshop.
"""

from scheduler.routing.kernel.compiling import compiled, inlined
from scheduler.routing.kernel.labels import balance_cost, label_times, row_stands
from scheduler.routing.kernel.layout import (
    BALANCE,
    BASE,
    CALL_AT,
    CAREFUL,
    CARRIED,
    LENGTH,
    NOWHERE,
    OPTION,
    OPTION_SHIFT,
    ROUND_COST,
    STEADY,
    STOCK,
    TIMED,
    USED_UP,
    VISIT,
    Search,
    World,
)
from scheduler.routing.kernel.working_time import label_spans, round_minutes, steady_minutes


@compiled
def has_supplies(world: World, search: Search, option: int, visit: int) -> bool:
    """Tell whether a visit could join its row before the call at the workshop, if there is one."""
    if world.options[option, CARRIED] == 0:
        return False
    row = world.options[option, OPTION_SHIFT]
    last = search.rows[row, LENGTH]
    if search.rows[row, CALL_AT] > 0:
        last = search.rows[row, CALL_AT] - 1
    base = search.rows[row, BASE]
    for kind in range(world.shifts.shape[1] - STOCK):
        used = world.visits[visit, USED_UP + kind]
        if used > 0:
            left = world.shifts[row, STOCK + kind] - used
            for node in range(base + 1, base + last + 1):
                left -= world.visits[search.nodes[node, VISIT], USED_UP + kind]
            if left < 0:
                return False
    return True


@compiled
def first_need(world: World, search: Search, row: int) -> int:
    """Return the position of the first visit that something is lacking for; 0 when nothing is."""
    base = search.rows[row, BASE]
    last = search.rows[row, LENGTH]
    need = 0
    for position in range(1, last + 1):
        if world.options[search.nodes[base + position, OPTION], CARRIED] == 0:
            need = last = position
            break
    for kind in range(world.shifts.shape[1] - STOCK):
        left = world.shifts[row, STOCK + kind]
        for position in range(1, last + 1):
            left -= world.visits[search.nodes[base + position, VISIT], USED_UP + kind]
            if left < 0:
                need = last = position
                break
    return need


@inlined
def label_row(world: World, search: Search, row: int) -> None:
    """Label a row after a change; if it has to call at the workshop, where that costs least."""
    rows = search.rows
    need = 0
    if world.shifts[row, CAREFUL] == 1:
        need = first_need(world, search, row)
    best = NOWHERE
    chosen = need
    for step in range(need + 1):  # a call on the way to each visit in turn, then to the chosen one
        position = step + 1 if step < need else chosen
        rows[row, CALL_AT] = position
        label_times(world, search, row)
        if world.shifts[row, TIMED] == 1:
            if world.shifts[row, STEADY] == 1:
                label_spans(world, search, row)
                rows[row, ROUND_COST] = steady_minutes(world, search, row)
            else:
                rows[row, ROUND_COST] = round_minutes(world, search, row)
        if world.shifts[row, BALANCE] > 0:
            rows[row, ROUND_COST] += balance_cost(world, search, row, 0)
        if step < need and rows[row, ROUND_COST] < best and row_stands(world, search, row):
            best = rows[row, ROUND_COST]
            chosen = position
