"""When many rounds can be where, both before and after their break, worked out side by side.

A *gap* is a place in a round where a visit could be added: before its first stop, between two,
after its last. Leaving earlier is never worse and being allowed to arrive later is never worse,
so two times per gap and state of the break hold all there is to know about the rest of the round.
The rounds are walked in step, the k-th stop of all of them at once.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import chain

import numpy as np
from numpy.typing import NDArray

from scheduler.routing.parts import Visit
from scheduler.routing.problem import Problem

Minutes = NDArray[np.int64]

NEVER = 1 << 40
"""Stands for "no minute will do": later than any minute a problem can hold."""

_STRIDE = NEVER << 2  # keeps the windows of one stop apart from those of the next


@dataclass(frozen=True, slots=True, kw_only=True)
class RoundLabels:
    """What is known of every gap; all arrays have shape (n_gaps,) unless they say otherwise.

    Attributes
    ----------
    first
        First gap of each round, and behind the last the number of gaps; shape (n_rounds + 1,).
    row, shift
        The round of a gap and the index of its shift.
    before, after
        The places it lies between.
    leg
        The journey between them, with the call at the workshop where there is one.
    calls
        Whether the journey calls there.
    driven, served
        Travel and minutes on site of each round; shape (n_rounds,).
    fresh, rested
        When one is first free before the gap, the break still to come or taken; NEVER when that
        cannot be.
    due_fresh, due_rested
        When one must arrive after the gap at the latest, the break still to come or taken; -NEVER
        when that cannot be.
    pause_minutes, pause_earliest, pause_latest
        The break of the shift; `pause_latest` is -NEVER where there is none.
    """

    first: Minutes
    row: Minutes
    shift: Minutes
    before: Minutes
    after: Minutes
    leg: Minutes
    calls: NDArray[np.bool_]
    driven: Minutes
    served: Minutes
    fresh: Minutes
    rested: Minutes
    due_fresh: Minutes
    due_rested: Minutes
    pause_minutes: Minutes
    pause_earliest: Minutes
    pause_latest: Minutes

    def after_break(self, free: Minutes, journey: Minutes) -> Minutes:
        """Return when a journey with the break on it ends, NEVER where the break has no room."""
        return _after_break(
            free, journey, self.pause_minutes, self.pause_earliest, self.pause_latest
        )


def label_rounds(
    problem: Problem,
    shifts: Sequence[int],
    orders: Sequence[Sequence[int]],
    calls_before: Sequence[int | None],
) -> RoundLabels:
    """Label the gaps of many rounds.

    Parameters
    ----------
    problem
        The problem.
    shifts
        Index of each round's shift.
    orders
        Indices of each round's visits in order; may be empty.
    calls_before
        Position in each round of the visit that is reached over the workshop, if any.
    """
    lengths = np.fromiter(map(len, orders), dtype=np.int64, count=len(orders))
    first = np.concatenate([[0], np.cumsum(lengths + 1)]).astype(np.int64)
    row = np.repeat(np.arange(len(orders)), lengths + 1)
    made_by = [problem.shifts[at].id for at in np.repeat(shifts, lengths)]
    stops = _Stops([problem.visits[at] for at in chain.from_iterable(orders)], made_by)
    shift_table = np.array(
        [
            (shift.start_place, shift.end_place, shift.start, shift.end)
            + ((p.minutes, p.earliest, p.latest) if (p := shift.pause) else (0, 0, -NEVER))
            for shift in problem.shifts
        ],
        dtype=np.int64,
    ).reshape(-1, 7)
    shift = np.asarray(shifts, dtype=np.int64)[row]
    start_place, end_place, start, end, *pause = shift_table[shift].T
    has_pause = pause[2] > -NEVER

    opens = np.zeros(row.size, dtype=np.bool_)
    closes = np.zeros(row.size, dtype=np.bool_)
    opens[first[:-1]] = True
    closes[first[1:] - 1] = True
    before, after = start_place.copy(), end_place.copy()
    before[~opens] = stops.place
    after[~closes] = stops.place
    leg = problem.travel_minutes[before, after].astype(np.int64)
    calls = np.zeros(row.size, dtype=np.bool_)
    for at, call_before in enumerate(calls_before):
        if call_before is not None:
            gap = first[at] + call_before
            ends = problem.shifts[shifts[at]], int(before[gap]), int(after[gap])
            leg[gap] = problem.journey_minutes(*ends, over_workshop=True)
            calls[gap] = True
    owner = np.repeat(np.arange(len(orders)), lengths)
    served = np.bincount(owner, weights=stops.minutes, minlength=len(orders)).astype(np.int64)
    driven = np.bincount(row, weights=leg, minlength=len(orders)).astype(np.int64)

    fresh = np.where(has_pause, start, NEVER)
    rested = np.where(has_pause, NEVER, start)
    due_fresh = np.full(row.size, -NEVER, dtype=np.int64)
    due_rested = end.copy()
    stop_after_gap = np.cumsum(~closes) - 1
    steps = [first[:-1][lengths > step] + step for step in range(int(lengths.max(initial=0)))]
    for gap in steps:
        stop = stop_after_gap[gap]
        taken = _after_break(fresh[gap], leg[gap], *(column[gap] for column in pause))
        arrival = np.minimum(rested[gap] + leg[gap], taken)
        minutes = stops.minutes[stop]
        rested[gap + 1] = np.minimum(stops.next_start(stop, arrival) + minutes, NEVER)
        unrested = stops.next_start(stop, fresh[gap] + leg[gap])
        fresh[gap + 1] = np.minimum(unrested + minutes, NEVER)
    for gap in reversed(steps):
        stop, onward = stop_after_gap[gap], leg[gap + 1]
        length, earliest, latest = (column[gap] for column in pause)
        done = due_rested[gap + 1]
        on_leg = np.minimum(done - onward, latest) - length
        on_leg = np.where(earliest + length <= done, on_leg, -NEVER)
        leave = np.maximum(due_fresh[gap + 1] - onward, on_leg)
        minutes = stops.minutes[stop]
        due_fresh[gap] = stops.last_start(stop, leave - minutes)
        due_rested[gap] = stops.last_start(stop, done - onward - minutes)
    return RoundLabels(
        first=first,
        row=row,
        shift=shift,
        before=before,
        after=after,
        leg=leg,
        calls=calls,
        driven=np.where(lengths > 0, driven, 0),
        served=served,
        fresh=fresh,
        rested=rested,
        due_fresh=due_fresh,
        due_rested=due_rested,
        pause_minutes=pause[0],
        pause_earliest=pause[1],
        pause_latest=pause[2],
    )


def _after_break(
    free: Minutes, journey: Minutes, minutes: Minutes, earliest: Minutes, latest: Minutes
) -> Minutes:
    ready = np.maximum(free + journey, earliest) + minutes
    return np.where(np.maximum(free, earliest) + minutes <= latest, ready, NEVER)


class _Stops:
    """The stops of all rounds on end, and the windows in which each may start."""

    def __init__(self, visits: Sequence[Visit], made_by: Sequence[str]) -> None:
        count = len(visits)
        self.place = np.fromiter((v.place for v in visits), dtype=np.int64, count=count)
        self.minutes = np.fromiter(
            map(Visit.minutes_in, visits, made_by), dtype=np.int64, count=count
        )
        windows = [
            visit.start_windows
            if visit.pinned is None
            else ((visit.pinned.start, visit.pinned.start),)
            for visit in visits
        ]
        counts = np.fromiter(map(len, windows), dtype=np.int64, count=count)
        flat = np.array(list(chain.from_iterable(windows)), dtype=np.int64).reshape(-1, 2)
        self._begin = np.cumsum(counts) - counts
        self._end = self._begin + counts
        owner = np.repeat(np.arange(count), counts) * _STRIDE
        self._opens, self._shuts = flat.T
        self._opens_key, self._shuts_key = owner + self._opens, owner + self._shuts

    def next_start(self, stop: Minutes, minute: Minutes) -> Minutes:
        """Return the first allowed start at or after a minute, NEVER where there is none."""
        window = np.searchsorted(self._shuts_key, stop * _STRIDE + np.minimum(minute, NEVER))
        found = window < self._end[stop]
        starts = np.full(stop.size, NEVER, dtype=np.int64)
        starts[found] = np.maximum(minute[found], self._opens[window[found]])
        return starts

    def last_start(self, stop: Minutes, minute: Minutes) -> Minutes:
        """Return the last allowed start at or before a minute, -NEVER where there is none."""
        key = stop * _STRIDE + np.maximum(minute, -NEVER)
        window = np.searchsorted(self._opens_key, key, side="right") - 1
        found = window >= self._begin[stop]
        starts = np.full(stop.size, -NEVER, dtype=np.int64)
        starts[found] = np.minimum(minute[found], self._shuts[window[found]])
        return starts
