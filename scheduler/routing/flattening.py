"""A planning problem as flat arrays for the search, and the search's rows as a plan."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from scheduler.routing.kernel.layout import (
    BEST,
    IN_DONE,
    IN_DUE,
    ITERATION,
    NEVER,
    NODE_COLUMNS,
    OPTION,
    OUT_DONE,
    OUT_DUE,
    PLACE,
    TALLY_CELLS,
    VISIT,
    Ints,
    Search,
    World,
)
from scheduler.routing.parts import Shift, Visit
from scheduler.routing.plan import Plan
from scheduler.routing.problem import Problem

_NEIGHBOUR_BLOCK = 512  # visits whose distances are sorted at once, to bound memory


def flatten(problem: Problem, start_from: Plan | None, neighbours: int) -> World:
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
    """
    shifts, visits = problem.shifts, problem.visits
    travel = problem.travel_minutes.copy()  # writeable: another type would be compiled anew
    place = _ints([visit.place for visit in visits])
    minutes = _ints([visit.minutes for visit in visits])
    leave_out = np.array([visit.leave_out_cost for visit in visits], dtype=np.int64)
    pauses = [shift.pause for shift in shifts]
    options = _options(problem, travel)
    given_row, given_start = _given(problem, start_from)
    given = np.flatnonzero(given_row >= 0)
    pinned = _ints([visit.pinned is not None for visit in visits])
    order_given = np.lexsort(
        (given_start[given] + minutes[given], given_start[given], -pinned[given])
    )
    return World(
        travel=travel,
        travel_back=travel.T.copy(),
        shift_start=_ints([shift.start for shift in shifts]),
        shift_end=_ints([shift.end for shift in shifts]),
        shift_from=_ints([shift.start_place for shift in shifts]),
        shift_to=_ints([shift.end_place for shift in shifts]),
        pause_minutes=_ints([pause.minutes if pause else 0 for pause in pauses]),
        pause_earliest=_ints([pause.earliest if pause else NEVER for pause in pauses]),
        pause_latest=_ints([pause.latest if pause else -NEVER for pause in pauses]),
        row_offset=_row_offsets(shifts, minutes, options.visit, options.shift),
        visit_place=place,
        visit_minutes=minutes,
        leave_out_cost=leave_out,
        pinned=pinned,
        option_first=options.first,
        option_shift=options.shift,
        option_cost=options.cost,
        option_window_first=options.window_first,
        option_window_last=options.window_last,
        window_low=options.window_low,
        window_high=options.window_high,
        near=_near(travel, place, min(neighbours, len(visits))),
        rank=_ranks(visits, minutes, leave_out, options.first),
        given_row=given_row,
        given_start=given_start,
        given_order=given[order_given].astype(np.int32),
        first_order=np.argsort(-leave_out, kind="stable").astype(np.int32),
    )


def new_search(world: World, seed: int) -> Search:
    """Return the search before its first iteration: every row empty, every visit left out."""
    n_shifts = world.shift_start.size
    n_visits = world.visit_place.size
    n_options = world.option_shift.size
    nodes = np.zeros((int(world.row_offset[-1]), NODE_COLUMNS), dtype=np.int32)
    has_pause = world.pause_minutes > 0
    offsets = world.row_offset
    for first in (offsets[:-1], (offsets[:-1] + offsets[1:]) // 2):
        nodes[first, VISIT] = -1
        nodes[first, OPTION] = -1
        nodes[first, PLACE] = world.shift_from
        nodes[first, OUT_DUE] = np.where(has_pause, world.shift_start, NEVER)
        nodes[first, OUT_DONE] = np.where(has_pause, NEVER, world.shift_start)
        nodes[first + 1, VISIT] = -1
        nodes[first + 1, OPTION] = -1
        nodes[first + 1, PLACE] = world.shift_to
        nodes[first + 1, IN_DUE] = -NEVER
        nodes[first + 1, IN_DONE] = world.shift_end
    tally = np.zeros(TALLY_CELLS, dtype=np.int64)
    tally[ITERATION] = -1
    tally[BEST] = np.iinfo(np.int64).max
    return Search(
        nodes=nodes,
        side=_zeros(n_shifts),
        length=_zeros(n_shifts),
        version=np.zeros(n_shifts, dtype=np.int64),
        old_length=_zeros(n_shifts),
        old_version=np.zeros(n_shifts, dtype=np.int64),
        opened_at=np.full(n_shifts, -1, dtype=np.int64),
        opened=_zeros(n_shifts),
        row_of=np.full(n_visits, -1, dtype=np.int32),
        option_of=_zeros(n_visits),
        loose_at=np.full(n_visits, -1, dtype=np.int64),
        memo_version=np.full(n_options, -1, dtype=np.int64),
        memo_cost=np.zeros(n_options, dtype=np.int64),
        memo_slot=_zeros(n_options),
        absent=_zeros(n_visits),
        pool=_zeros(n_visits),
        key=np.zeros(n_visits, dtype=np.int64),
        first_cost=np.zeros(n_visits, dtype=np.int64),
        first_option=_zeros(n_visits),
        first_slot=_zeros(n_visits),
        second_cost=np.zeros(n_visits, dtype=np.int64),
        second_option=_zeros(n_visits),
        best_visit=_zeros(int(world.row_offset[-1]) // 2),
        best_length=_zeros(n_shifts),
        stale=_zeros(n_shifts),
        stale_mark=_zeros(n_shifts),
        tally=tally,
        chance=np.array([seed % 2**64], dtype=np.uint64),
    )


def best_rows(world: World, search: Search) -> list[list[int]]:
    """Return the visits of each row of the best plan, in order."""
    begins = (world.row_offset[:-1] // 2).tolist()
    return [
        search.best_visit[begin : begin + length].tolist()
        for begin, length in zip(begins, search.best_length.tolist(), strict=True)
    ]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Options:
    """The pairs (visit, shift) that could be planned if the shift were otherwise empty."""

    first: Ints
    visit: Ints
    shift: Ints
    cost: NDArray[np.int64]
    window_first: Ints
    window_last: Ints
    window_low: Ints
    window_high: Ints


def _options(problem: Problem, travel: Ints) -> _Options:
    shifts, visits = problem.shifts, problem.visits
    index = problem.shift_index()
    starts = _ints([shift.start for shift in shifts])
    ends = _ints([shift.end for shift in shifts])
    origins = _ints([shift.start_place for shift in shifts])
    targets = _ints([shift.end_place for shift in shifts])
    nearest_in, nearest_out = _shortest_legs(travel)
    able: dict[frozenset[str], NDArray[np.bool_]] = {}
    found: list[tuple[Ints, Ints, Ints]] = []
    lows: list[int] = []
    highs: list[int] = []
    for visit in visits:
        offset = len(lows)
        if visit.pinned is not None:
            lows.append(visit.pinned.start)
            highs.append(visit.pinned.start)
            found.append((_ints([index[visit.pinned.shift]]), _ints([offset]), _ints([offset])))
            continue
        if visit.skills not in able:
            able[visit.skills] = np.array(
                [visit.skills <= shift.skills for shift in shifts], dtype=np.bool_
            )
        low = _ints([window[0] for window in visit.start_windows])
        high = _ints([window[1] for window in visit.start_windows])
        lows.extend(low.tolist())
        highs.extend(high.tolist())
        # A detour may be quicker than the direct way, so the last leg is all that is certain.
        place = visit.place
        soonest = starts + np.minimum(travel[origins, place], nearest_in[place])
        latest = ends - visit.minutes - np.minimum(travel[place, targets], nearest_out[place])
        first = np.searchsorted(high, soonest, side="left")
        last = np.searchsorted(low, latest, side="right") - 1
        fitting = np.flatnonzero(able[visit.skills] & (first <= last) & (soonest <= latest))
        found.append(
            (
                fitting.astype(np.int32),
                (offset + first[fitting]).astype(np.int32),
                (offset + last[fitting]).astype(np.int32),
            )
        )
    counts = [option_shifts.size for option_shifts, _, _ in found]
    first_option = np.zeros(len(visits) + 1, dtype=np.int32)
    first_option[1:] = np.cumsum(counts)
    shift = _joined([entry[0] for entry in found])
    cost = np.zeros(shift.size, dtype=np.int64)
    for at, visit in enumerate(visits):
        if visit.shift_costs:
            by_shift = np.zeros(len(shifts), dtype=np.int64)
            for name, extra in visit.shift_costs.items():
                by_shift[index[name]] = extra
            begin, end = first_option[at], first_option[at + 1]
            cost[begin:end] = by_shift[shift[begin:end]]
    return _Options(
        first=first_option,
        visit=np.repeat(np.arange(len(visits), dtype=np.int32), counts),
        shift=shift,
        cost=cost,
        window_first=_joined([entry[1] for entry in found]),
        window_last=_joined([entry[2] for entry in found]),
        window_low=_ints(lows),
        window_high=_ints(highs),
    )


def _shortest_legs(travel: Ints) -> tuple[Ints, Ints]:
    """Return the shortest leg into and out of each place, from or to another one."""
    others = travel.copy()
    np.fill_diagonal(others, NEVER)
    return others.min(axis=0, initial=NEVER), others.min(axis=1, initial=NEVER)


def _row_offsets(shifts: Sequence[Shift], minutes: Ints, visit: Ints, shift: Ints) -> Ints:
    """Return where each row begins: room for two versions of the most visits it could hold."""
    order = np.argsort(shift, kind="stable")
    bounds = np.searchsorted(shift[order], np.arange(len(shifts) + 1))
    offsets = np.zeros(len(shifts) + 1, dtype=np.int64)
    for row, one in enumerate(shifts):
        shortest = np.sort(minutes[visit[order[bounds[row] : bounds[row + 1]]]])
        most = int(np.searchsorted(np.cumsum(shortest), one.end - one.start, side="right"))
        offsets[row + 1] = offsets[row] + 2 * (most + 2)
    return offsets.astype(np.int32)


def _near(travel: Ints, place: Ints, count: int) -> Ints:
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


def _ranks(
    visits: Sequence[Visit], minutes: Ints, leave_out: NDArray[np.int64], first_option: Ints
) -> Ints:
    """Return the orders of putting back, one per row; see the list for their meaning."""
    deadline = np.array(
        [visit.start_windows[-1][1] if visit.start_windows else NEVER for visit in visits],
        dtype=np.int64,
    )
    keys: list[NDArray[Any]] = [
        -leave_out,  # dearest to leave out
        -minutes,  # longest
        deadline,  # tightest deadline
        np.diff(first_option),  # fewest shifts
        -leave_out / np.maximum(minutes, 1),  # dearest per minute on site
    ]
    ranks = np.zeros((len(keys), len(visits)), dtype=np.int32)
    for order, key in enumerate(keys):
        ranks[order, np.argsort(key, kind="stable")] = np.arange(len(visits))
    return ranks


def _given(problem: Problem, start_from: Plan | None) -> tuple[Ints, Ints]:
    """Return row and start of each visit that is pinned or stands in the given plan."""
    shift_index, visit_index = problem.shift_index(), problem.visit_index()
    row = np.full(len(problem.visits), -1, dtype=np.int32)
    start = np.full(len(problem.visits), NEVER, dtype=np.int32)
    for stop in start_from.stops if start_from is not None else ():
        if stop.visit in visit_index and stop.shift in shift_index:
            row[visit_index[stop.visit]] = shift_index[stop.shift]
            start[visit_index[stop.visit]] = stop.start
    for at, visit in enumerate(problem.visits):
        if visit.pinned is not None:
            row[at] = shift_index[visit.pinned.shift]
            start[at] = visit.pinned.start
    return row, start


def _ints(values: Sequence[int]) -> Ints:
    return np.array(values, dtype=np.int32)


def _zeros(count: int) -> Ints:
    return np.zeros(count, dtype=np.int32)


def _joined(parts: Sequence[Ints]) -> Ints:
    return np.concatenate(parts) if parts else _zeros(0)
