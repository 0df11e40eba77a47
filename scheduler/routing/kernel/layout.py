"""The flat arrays the search works on.

Times are whole minutes from the problem's minute zero, costs are minutes of travel equivalent.
Named tuples of arrays are what numba compiles to plain pointers.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int32]
Longs = NDArray[np.int64]

NEVER = 1 << 28  # later than any minute of a problem; sums of a few still fit 32 bits
NOWHERE = 1 << 60  # dearer than any cost

# Columns of Search.nodes.  "Due": the break is still to come; "done": taken, or the shift has none.
VISIT = 0  # -1 at both ends of a round
OPTION = 1
PLACE = 2
LEG = 3  # travel minutes from the node before
OUT_DUE = 4  # earliest the technician can leave here
OUT_DONE = 5
IN_DUE = 6  # latest the technician may be ready to start here for the rest to hold
IN_DONE = 7
NODE_COLUMNS = 8

# Cells of Search.tally.
ITERATION = 0
COST = 1  # of the current plan
TRIAL = 2  # of the plan being built in this iteration
BEST = 3  # of the best plan so far
VERSION = 4  # last version given to a row
ABSENT = 5  # how many visits the current plan leaves out
OPENED = 6  # how many rows this iteration has changed
POOL = 7  # how many visits this iteration has to place
STALE = 8  # how many rows differ from the best plan
TALLY_CELLS = 9


class World(NamedTuple):
    """What the search looks at and never changes."""

    travel: Ints  # (places, places), from, to
    travel_back: Ints  # (places, places), to, from: the same numbers, so that both scans are rows
    shift_start: Ints  # (shifts,)
    shift_end: Ints
    shift_from: Ints  # place
    shift_to: Ints
    pause_minutes: Ints  # 0 when the shift has no break
    pause_earliest: Ints  # the whole break lies in [earliest, latest]
    pause_latest: Ints
    row_offset: Ints  # (shifts + 1,) first node of a row; each row has room for two versions
    visit_place: Ints  # (visits,)
    visit_minutes: Ints
    leave_out_cost: Longs
    pinned: Ints  # 1 when the visit may not move
    option_first: Ints  # (visits + 1,)
    option_shift: Ints  # (options,)
    option_cost: Longs
    option_window_first: Ints  # the start windows that matter on this shift, both inclusive
    option_window_last: Ints
    window_low: Ints  # (windows,) a start may be at both ends
    window_high: Ints
    near: Ints  # (visits, neighbours) nearest visits first, the visit itself leading
    rank: Ints  # (orders, visits) low ranks are put back first
    given_row: Ints  # (visits,) where the plan to start from has it, or -1
    given_start: Ints
    given_order: Ints  # visits, pinned ones first, then by given start
    first_order: Ints  # all visits, dearest to leave out first


class Rules(NamedTuple):
    """The parameters of one call, see scheduler/routing/params.py for units and ranges."""

    hottest: float
    coldest: float
    mean_removed: float
    longest_string: int
    split_share: float
    regret_share: float
    swap_share: float
    absent_limit: int
    full_scan_share: float


class Search(NamedTuple):
    """What the search changes."""

    nodes: Ints  # (slots, NODE_COLUMNS)
    side: Ints  # (shifts,) which of its two versions a row shows, 0 or 1
    length: Ints  # (shifts,) visits in the row
    version: Longs  # (shifts,) changes whenever the row does
    old_length: Ints
    old_version: Longs
    opened_at: Longs  # (shifts,) iteration in which the row was last opened
    opened: Ints  # rows opened in this iteration
    row_of: Ints  # (visits,) or -1
    option_of: Ints  # (visits,) meaningful where row_of >= 0
    loose_at: Longs  # (visits,) iteration in which the visit was taken out of its round
    memo_version: Longs  # (options,) the version of the row the memo speaks of
    memo_cost: Longs
    memo_slot: Ints
    absent: Ints  # visits the current plan leaves out
    pool: Ints  # visits to place in this iteration
    key: Longs  # sort keys of the pool
    first_cost: Longs  # (visits,) per visit of the pool: cheapest option ...
    first_option: Ints
    first_slot: Ints
    second_cost: Longs  # ... and the cost of the next cheapest
    second_option: Ints
    best_visit: Ints  # (slots / 2,) the best plan, row by row
    best_length: Ints
    stale: Ints  # rows that differ from the best plan
    stale_mark: Ints
    tally: Longs
    chance: NDArray[np.uint64]
