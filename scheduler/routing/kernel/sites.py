"""Sites where only one technician works at a time.

This depends on other rows than the one a visit would join, so it is asked when a place is chosen
and never remembered with its cost.
"""

from scheduler.routing.kernel.compiling import compiled, inlined
from scheduler.routing.kernel.layout import (
    ITERATION,
    LOOSE_AT,
    NEXT_AT_SITE,
    ROW_OF,
    SHIFT_END,
    SHIFT_START,
    TECHNICIAN,
    Search,
    World,
)


@inlined
def is_barred(world: World, search: Search, visit: int, row: int) -> bool:
    """Tell whether another technician is at the site of a visit while the row's shift lasts."""
    return world.visits[visit, NEXT_AT_SITE] != visit and meets_another(world, search, visit, row)


@compiled
def meets_another(world: World, search: Search, visit: int, row: int) -> bool:
    """Tell the same of a visit that is not the only one of its site."""
    shifts = world.shifts
    other = world.visits[visit, NEXT_AT_SITE]
    while other != visit:
        theirs = search.states[other, ROW_OF]
        if (
            theirs >= 0
            and shifts[theirs, TECHNICIAN] != shifts[row, TECHNICIAN]
            and shifts[theirs, SHIFT_START] < shifts[row, SHIFT_END]
            and shifts[row, SHIFT_START] < shifts[theirs, SHIFT_END]
        ):
            return True
        other = world.visits[other, NEXT_AT_SITE]
    return False


@inlined
def is_loose(world: World, search: Search, visit: int) -> bool:
    """Tell whether a visit, or another of its site, was taken out of its round in this iteration.

    If so, it may find a place in rows that have not changed.
    """
    if search.states[visit, LOOSE_AT] == search.tally[ITERATION]:
        return True
    other = world.visits[visit, NEXT_AT_SITE]
    while other != visit:
        if search.states[other, LOOSE_AT] == search.tally[ITERATION]:
            return True
        other = world.visits[other, NEXT_AT_SITE]
    return False
