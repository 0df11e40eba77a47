"""The flat arrays the search works on, and the names of their columns.

Times are whole minutes from the problem's minute zero, costs are minutes of travel equivalent.
Two named tuples of a few wide tables go through the whole kernel: numba hands every array of a
tuple to every function, so many narrow arrays would cost more than the search itself.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Longs = NDArray[np.int64]

NEVER = 1 << 28  # later than any minute of a problem, by far
NOWHERE = 1 << 60  # dearer than any cost

# World.shifts
PAUSE_MINUTES = 0  # 0 when the shift has no break
PAUSE_EARLIEST = 1  # the whole break lies in [earliest, latest]
PAUSE_LATEST = 2
WORKING_MINUTES = 3  # of the shift without its break
TIMED = 4  # 1 when its working time is charged, not its travel
WORKSHOP = 5  # the place where the round may call once for tools and parts, or -1
WORKSHOP_MINUTES = 6
CAREFUL = 7  # 1 when insertions must look at working time, tools or parts
STEADY = 8  # 1 when no visit of it has two windows to choose from, and it has no break
BALANCE = 9  # charged for an hour of travel and visits, squared
USUAL_MINUTES = 10  # from which those hours are counted, either way
DRIVING_LIMIT = 11  # most minutes of travel
SHIFT_START = 12
SHIFT_END = 13
TECHNICIAN = 14
STOCK = 15  # from here on how many parts of each kind it sets out with

# World.visits; one more line closes the options of the last visit.
VISIT_PLACE = 0
VISIT_MINUTES = 1  # unless an option says otherwise
VISIT_LEAVE_OUT = 2
VISIT_PINNED = 3  # 1 when the visit may not move
VISIT_OPTIONS = 4  # its first option
GIVEN_ROW = 5  # where the plan to start from has it, or -1
GIVEN_START = 6
NEXT_AT_SITE = 7  # round about all visits that only one technician may make at a time; often itself
HOME_ROW = 8  # the one row where it costs less than in any other, or -1
USED_UP = 9  # from here on how many parts of each kind it uses up

# World.options
OPTION_SHIFT = 0
OPTION_COST = 1
FIRST_WINDOW = 2  # the start windows that matter on this shift, both inclusive
LAST_WINDOW = 3
OPTION_MINUTES = 4  # on site
OPTION_COLUMNS = 5
CARRIED = 5  # one more where needed: 1 when the shift sets out with what the visit needs

# World.windows: a start may be at both ends.
LOW = 0
HIGH = 1

# Search.nodes.  "Due": the break is still to come; "done": taken, or the shift has none.
VISIT = 0  # -1 at both ends of a round
OPTION = 1
PLACE = 2
LEG = 3  # travel minutes from the node before, over the workshop if the round calls there
OUT_DUE = 4  # earliest the technician can leave here
OUT_DONE = 5
IN_DUE = 6  # latest the technician may be ready to start here for the rest to hold
IN_DONE = 7
NODE_COLUMNS = 8
# ... and of steady rows whose working time is charged:
BUSY_OUT = 8  # minutes of travel and service up to leaving here
LEAVE_BY = 9  # latest departure from home that keeps all windows up to here
BUSY_IN = 10  # minutes of travel and service from starting here until home
HOME_AT = 11  # earliest return home, however early one is ready here
TIMED_COLUMNS = 12

# Search.rows
BASE = 0  # first node of the row
SPARE = 1  # first node of the room for its other version
LENGTH = 2  # visits in it
ROOM = 3  # working minutes neither travelled nor served
ROUND_COST = 4  # travel or working time, whichever is charged, and balance
CALL_AT = 5  # position of the visit that is reached over the workshop, 0 without a call
DRIVING_ROOM = 6  # minutes of travel it may still add
OLD_LENGTH = 7  # before this iteration
OLD_VERSION = 8
OLD_ROOM = 9
OLD_COST = 10
OLD_CALL = 11
OLD_DRIVING_ROOM = 12
OPENED_AT = 13  # iteration in which it was last opened
IS_STALE = 14  # 1 when it differs from the best plan
BEST_LENGTH = 15
BEST_CALL = 16
BEST_BASE = 17  # its first cell in Search.best
ROW_COLUMNS = 18

# Search.states, one line per visit
ROW_OF = 0  # -1 when left out
LOOSE_AT = 1  # iteration in which it was taken out of its round
FIRST_COST = 2  # its cheapest option, -1 being to leave it out ...
FIRST_OPTION = 3
FIRST_SLOT = 4
SECOND_COST = 5  # ... and the next cheapest
SECOND_OPTION = 6
STATE_COLUMNS = 7

# Search.memo, one line per option: what insertion.price found for a version of the row
MEMO_VERSION = 0
MEMO_COST = 1
MEMO_SLOT = 2
MEMO_COLUMNS = 3

# Search.lists, and under the same number in Search.tally how long each is
OPENED = 0  # rows changed in this iteration
STALE = 1  # rows that differ from the best plan
ABSENT = 2  # visits the current plan leaves out
POOL = 3  # visits to place in this iteration
VERSION = 4  # no list: of each row, changes whenever the row does; close together to be at hand
LISTS = 5

# Search.tally, behind the lengths of the lists
ITERATION = 5
COST = 6  # of the current plan
TRIAL = 7  # of the plan being built in this iteration
BEST = 8  # of the best plan so far
LAST_VERSION = 9  # given to a row
BLINKING = 10  # a random number when visits may overlook a row in this iteration, else 0
USED = 11  # rows that make a visit
RELUCTANCE = 12  # how much dearer idle rows look in this iteration
TALLY_CELLS = 13


class World(NamedTuple):
    """What the search looks at and never changes."""

    travel: NDArray[np.int32]  # (places, places), from, to
    travel_back: NDArray[np.int32]  # (places, places), to, from: so that both scans run along rows
    shifts: Longs  # (shifts, STOCK + kinds of parts)
    visits: Longs  # (visits + 1, USED_UP + kinds of parts)
    options: Longs  # (options, OPTION_COLUMNS or one more)
    windows: Longs  # (windows, 2)
    near: NDArray[np.int32]  # (visits, neighbours) nearest visits first, the visit itself leading
    ranks: NDArray[np.int32]  # (orders, visits) low ranks are put back first, ties at random
    given_order: Longs  # visits with a given row, pinned ones first, then by given start
    first_order: Longs  # all visits, dearest to leave out first


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
    blinking_share: float
    reluctance: float
    homing_share: float


class Search(NamedTuple):
    """What the search changes."""

    nodes: Longs  # (slots, NODE_COLUMNS or more) the rounds, each with its two ends, twice
    rows: Longs  # (shifts, ROW_COLUMNS)
    states: Longs  # (visits, STATE_COLUMNS)
    memo: Longs  # (options, MEMO_COLUMNS)
    lists: Longs  # (LISTS, largest of shifts and twice the visits)
    keys: Longs  # (visits,) what the pool is sorted by
    best: Longs  # (slots / 2,) the visits of the best plan, row by row
    tally: Longs  # (TALLY_CELLS,)
    chance: NDArray[np.uint64]  # (1,) state of the random numbers
