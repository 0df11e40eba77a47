"""A planning problem as the flat arrays of the search."""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from scheduler.routing.kernel import layout
from scheduler.routing.kernel.layout import NEVER, Longs, Search, World
from scheduler.routing.options import Options, options_of
from scheduler.routing.parts import Shift
from scheduler.routing.plan import Plan
from scheduler.routing.problem import Charge, Problem

_NEIGHBOUR_BLOCK = 512  # visits whose distances are sorted at once, to bound memory


def flatten(
    problem: Problem,
    start_from: Plan | None,
    neighbours: int,
    closed: frozenset[str] = frozenset(),
) -> World:
    """Return the arrays of a problem.

    Parameters
    ----------
    problem
        What to plan.
    start_from
        A plan whose stops are kept where they still fit; names it does not share with the
        problem are passed over.
    neighbours
        Nearest visits to list per visit, the visit itself included.
    closed
        Shifts to do without, except for visits pinned to them.
    """
    travel = problem.travel_minutes.copy()  # writeable: another type would be compiled anew
    place = _longs([visit.place for visit in problem.visits])
    options = options_of(problem, closed)
    kinds = sorted({kind for visit in problem.visits for kind in visit.parts})
    visits = _visits(problem, start_from, options, kinds)
    return World(
        travel=travel,
        travel_back=travel.T.copy(),
        shifts=_shifts(problem, kinds, options.table),
        visits=visits,
        options=options.table,
        windows=options.windows,
        near=_near(travel, place, min(neighbours, place.size)),
        ranks=_ranks(problem, visits),
        given_order=_given_order(problem, visits),
        first_order=np.argsort(-visits[:-1, layout.VISIT_LEAVE_OUT], kind="stable"),
    )


def has_homes(world: World) -> bool:
    """Tell whether any visit costs less in one row than in all others."""
    return bool((world.visits[:-1, layout.HOME_ROW] >= 0).any())


def new_search(problem: Problem, world: World, seed: int) -> Search:
    """Return the search before its first iteration: every row empty, every visit left out."""
    shifts, n_visits = problem.shifts, len(problem.visits)
    rooms = _rooms(shifts, world)
    begins = np.concatenate([[0], np.cumsum(rooms)])
    rows = np.zeros((len(shifts), layout.ROW_COLUMNS), dtype=np.int64)
    rows[:, layout.BASE] = 2 * begins[:-1]
    rows[:, layout.SPARE] = 2 * begins[:-1] + rooms
    rows[:, layout.BEST_BASE] = begins[:-1]
    rows[:, layout.OPENED_AT] = -1
    rows[:, layout.ROOM] = world.shifts[:, layout.WORKING_MINUTES]
    rows[:, layout.DRIVING_ROOM] = world.shifts[:, layout.DRIVING_LIMIT]
    columns = layout.NODE_COLUMNS if problem.is_plain() else layout.TIMED_COLUMNS
    nodes = np.zeros((2 * int(begins[-1]), columns), dtype=np.int64)
    for row, shift in enumerate(shifts):
        start, end = nodes[2 * begins[row]], nodes[2 * begins[row] + 1]
        start[[layout.VISIT, layout.OPTION]] = end[[layout.VISIT, layout.OPTION]] = -1
        start[layout.PLACE], end[layout.PLACE] = shift.start_place, shift.end_place
        start[layout.OUT_DUE] = NEVER if shift.pause is None else shift.start
        start[layout.OUT_DONE] = shift.start if shift.pause is None else NEVER
        end[layout.IN_DUE], end[layout.IN_DONE] = -NEVER, shift.end
        if columns == layout.TIMED_COLUMNS:
            start[layout.LEAVE_BY], end[layout.HOME_AT] = NEVER, -NEVER
    states = np.zeros((n_visits, layout.STATE_COLUMNS), dtype=np.int64)
    states[:, [layout.ROW_OF, layout.LOOSE_AT]] = -1
    memo = np.zeros((len(world.options), layout.MEMO_COLUMNS), dtype=np.int64)
    memo[:, layout.MEMO_VERSION] = -1
    tally = np.zeros(layout.TALLY_CELLS, dtype=np.int64)
    tally[layout.ITERATION] = -1
    tally[layout.BEST] = layout.NOWHERE
    return Search(
        nodes=nodes,
        rows=rows,
        states=states,
        memo=memo,
        lists=np.zeros((layout.LISTS, max(len(shifts), 2 * n_visits)), dtype=np.int64),
        keys=np.zeros(n_visits, dtype=np.int64),
        best=np.zeros(int(begins[-1]), dtype=np.int64),
        tally=tally,
        chance=np.array([seed % 2**64], dtype=np.uint64),
    )


def best_calls(search: Search) -> list[int]:
    """Return before which visit of the best plan, 1 the first, each row calls at the workshop.

    0 where a row makes no call.
    """
    calls: list[int] = search.rows[:, layout.BEST_CALL].tolist()
    return calls


def best_rows(search: Search) -> list[list[int]]:
    """Return the visits of each row of the best plan, in order."""
    begins = search.rows[:, layout.BEST_BASE].tolist()
    lengths = search.rows[:, layout.BEST_LENGTH].tolist()
    return [
        search.best[begin : begin + length].tolist()
        for begin, length in zip(begins, lengths, strict=True)
    ]


def _shifts(problem: Problem, kinds: Sequence[str], options: Longs) -> Longs:
    shifts = problem.shifts
    table = np.zeros((len(shifts), layout.STOCK + len(kinds)), dtype=np.int64)
    timed = problem.charge is Charge.WORKING_TIME
    table[:, layout.TIMED] = timed
    table[:, layout.CAREFUL] = timed or problem.has_supplies()
    table[:, layout.BALANCE] = problem.balance
    table[:, layout.DRIVING_LIMIT] = NEVER
    table[:, layout.WORKSHOP] = -1
    table[:, layout.PAUSE_EARLIEST] = NEVER
    table[:, layout.PAUSE_LATEST] = -NEVER
    people: dict[str, int] = {}
    for at, shift in enumerate(shifts):
        table[at, layout.WORKING_MINUTES] = shift.end - shift.start
        table[at, [layout.SHIFT_START, layout.SHIFT_END]] = shift.start, shift.end
        table[at, layout.TECHNICIAN] = people.setdefault(shift.technician, len(people))
        table[at, layout.USUAL_MINUTES] = shift.usual_minutes
        if shift.driving_limit is not None:
            table[at, layout.DRIVING_LIMIT] = shift.driving_limit
        table[at, layout.STOCK :] = [shift.parts.get(kind, 0) for kind in kinds]
        if shift.workshop is not None:
            table[at, layout.WORKSHOP] = shift.workshop.place
            table[at, layout.WORKSHOP_MINUTES] = shift.workshop.minutes
        if shift.pause is not None:
            table[at, layout.WORKING_MINUTES] -= shift.pause.minutes
            table[at, layout.PAUSE_MINUTES] = shift.pause.minutes
            table[at, layout.PAUSE_EARLIEST] = shift.pause.earliest
            table[at, layout.PAUSE_LATEST] = shift.pause.latest
    choice = options[:, layout.FIRST_WINDOW] < options[:, layout.LAST_WINDOW]
    table[:, layout.STEADY] = [shift.pause is None for shift in shifts]
    table[options[choice, layout.OPTION_SHIFT], layout.STEADY] = 0
    return table


def _visits(
    problem: Problem, start_from: Plan | None, options: Options, kinds: Sequence[str]
) -> Longs:
    shift_index, visit_index = problem.shift_index(), problem.visit_index()
    table = np.zeros((len(problem.visits) + 1, layout.USED_UP + len(kinds)), dtype=np.int64)
    table[:, layout.VISIT_OPTIONS] = options.first
    table[:, layout.GIVEN_ROW] = -1
    table[:, layout.NEXT_AT_SITE] = np.arange(len(table))
    table[:-1, layout.HOME_ROW] = _homes(options)
    for members in _at_one_site(problem):
        table[members, layout.NEXT_AT_SITE] = np.roll(members, -1)
    for stop in start_from.stops if start_from is not None else ():
        if stop.visit in visit_index and stop.shift in shift_index:
            table[visit_index[stop.visit], layout.GIVEN_ROW] = shift_index[stop.shift]
            table[visit_index[stop.visit], layout.GIVEN_START] = stop.start
    for at, visit in enumerate(problem.visits):
        table[at, layout.VISIT_PLACE] = visit.place
        table[at, layout.VISIT_MINUTES] = visit.minutes
        table[at, layout.VISIT_LEAVE_OUT] = visit.leave_out_cost
        table[at, layout.USED_UP :] = [visit.parts.get(kind, 0) for kind in kinds]
        if visit.pinned is not None:
            table[at, layout.VISIT_PINNED] = 1
            table[at, layout.GIVEN_ROW] = shift_index[visit.pinned.shift]
            table[at, layout.GIVEN_START] = visit.pinned.start
    return table


def _homes(options: Options) -> Longs:
    """Return for each visit the row where it costs least, -1 where that is not only one."""
    homes = np.full(len(options.first) - 1, -1, dtype=np.int64)
    for visit, (begin, end) in enumerate(pairwise(options.first)):
        costs = options.table[begin:end, layout.OPTION_COST]
        least = np.flatnonzero(costs == costs.min(initial=layout.NOWHERE))
        if least.size == 1 < costs.size:
            homes[visit] = options.table[begin + least[0], layout.OPTION_SHIFT]
    return homes


def _at_one_site(problem: Problem) -> Iterable[list[int]]:
    """Return the visits of each site where only one technician may work at a time."""
    members: dict[str, list[int]] = defaultdict(list)
    for at, visit in enumerate(problem.visits):
        if visit.site is not None:
            members[visit.site].append(at)
    return members.values()


def _given_order(problem: Problem, visits: Longs) -> Longs:
    """Return the visits with a given row, pinned ones first, then by start and by end."""
    given = np.flatnonzero(visits[:, layout.GIVEN_ROW] >= 0)
    start = visits[given, layout.GIVEN_START]
    rows = visits[given, layout.GIVEN_ROW]
    end = start + _longs(
        [
            problem.visits[at].minutes_in(problem.shifts[row].id)
            for at, row in zip(given, rows, strict=True)
        ]
    )
    return given[np.lexsort((end, start, -visits[given, layout.VISIT_PINNED]))]


def _rooms(shifts: Sequence[Shift], world: World) -> Longs:
    """Return how many nodes each row may need: the most visits that could be made, and two ends."""
    minutes = world.options[:, layout.OPTION_MINUTES]
    order = np.lexsort((minutes, world.options[:, layout.OPTION_SHIFT]))
    bounds = np.searchsorted(world.options[order, layout.OPTION_SHIFT], np.arange(len(shifts) + 1))
    rooms = np.zeros(len(shifts), dtype=np.int64)
    for row, shift in enumerate(shifts):
        busy = np.cumsum(minutes[order[bounds[row] : bounds[row + 1]]])
        rooms[row] = 2 + np.searchsorted(busy, shift.end - shift.start, side="right")
    return rooms


def _near(travel: NDArray[np.int32], place: Longs, count: int) -> NDArray[np.int32]:
    """Return the nearest visits of each, there and back, ties by index, itself leading."""
    n_visits = place.size
    near = np.zeros((n_visits, count), dtype=np.int32)
    for begin in range(0, n_visits, _NEIGHBOUR_BLOCK):
        block = place[begin : begin + _NEIGHBOUR_BLOCK]
        there = travel[block][:, place].astype(np.int64)
        key = (there + travel[:, block][place].T) * n_visits + np.arange(n_visits)
        key[np.arange(block.size), begin + np.arange(block.size)] = -1
        nearest = np.argpartition(key, count - 1, axis=1)[:, :count]
        order = np.argsort(np.take_along_axis(key, nearest, axis=1), axis=1)
        near[begin : begin + block.size] = np.take_along_axis(nearest, order, axis=1)
    return near


def _ranks(problem: Problem, table: Longs) -> NDArray[np.int32]:
    """Return the orders in which to put visits back, one per line; equal ranks where they tie."""
    leave_out = table[:-1, layout.VISIT_LEAVE_OUT]
    minutes = table[:-1, layout.VISIT_MINUTES]
    deadline = _longs(
        [visit.start_windows[-1][1] if visit.start_windows else 0 for visit in problem.visits]
    )
    begins = [shift.start_place for shift in problem.shifts]
    travel = problem.travel_minutes[begins].sum(axis=0, dtype=np.int64)
    travel = travel[table[:-1, layout.VISIT_PLACE]]
    keys: list[NDArray[Any]] = [
        -leave_out,  # dearest to leave out
        -minutes,  # longest
        deadline,  # tightest deadline
        np.diff(table[:, layout.VISIT_OPTIONS]),  # fewest shifts
        -leave_out / np.maximum(minutes, 1),  # dearest per minute on site
        -travel,  # farthest from where rounds begin
        travel,  # nearest
    ]
    return np.array([np.unique(key, return_inverse=True)[1] for key in keys], dtype=np.int32)


def _longs(values: Sequence[int]) -> Longs:
    return np.array(values, dtype=np.int64)
