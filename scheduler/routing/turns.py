"""Long searches: many short ones, each with some technician-days closed.

One search, however long, ends near the technician-days it happened to use early on. So a long one
is cut into turns: a first from nothing, then one after the other from the plan reached, with a few
of its technician-days closed, so that the others have to do without, or again from where the first
began. Where there is no day to spare, nearly all do that. Now and then the rounds seen on the way
are put together anew (`rounds_seen`), which is where most of the gain comes from.
"""

import math
import random
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor, wait
from dataclasses import dataclass, replace
from typing import Protocol

from scheduler.routing.params import Params
from scheduler.routing.plan import Plan, Stop
from scheduler.routing.problem import Problem
from scheduler.routing.rounds_seen import Round, RoundsSeen

_SECOND_CLOSED_SHARE = 0.3
"""Share of the turns that close two technician-days."""

_FIRST_GATHERING = 8
"""Short turns' worth of searching before rounds are put together for the first time; the next time
after twice as much more, then thrice, and so on."""

_GATHERING_SHARE = 0.15
"""Of the time that is left, for putting rounds together once."""

_LAST_GATHERING_AT = 0.85
"""Share of the time after which they are put together once more in any case, ..."""

_LAST_GATHERING_SHARE = 0.6
"""... for which there is more of the time that is left."""

_TELL_EVERY_SECONDS = 0.05

_WORSE_SHARE = 0.005
"""By how much of its cost a plan may be worse than the last and still be gone on from, at first."""

_FRESH_SHARE = 0.3
"""Share of the turns that begin anew, and are as long as the first."""

_FRESH_SHARE_WHEN_FULL = 0.9
"""The same where closing a technician-day mostly leaves more visits out."""

_CLOSINGS_TO_JUDGE_BY = 2


class Turn(Protocol):
    """One search of a problem, over all shifts but some, that notes the rounds it sees."""

    def __call__(
        self,
        *,
        number: int,
        iterations: int,
        start_from: Plan | None,
        closed: frozenset[str],
        seen: RoundsSeen,
    ) -> Plan: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Clock:
    """How far a search in turns is.

    Attributes
    ----------
    progress
        Share of the time or of the iterations that are over, from 0 to 1.
    seconds_left
        Until the time is over, >= 0; None when only iterations count.
    is_over
        Whether to stop.
    tell
        Tells how far it is and asks whether to stop; called now and then while rounds are put
        together.
    """

    progress: Callable[[], float]
    seconds_left: Callable[[], float | None]
    is_over: Callable[[], bool]
    tell: Callable[[], None]


def search_in_turns(
    problem: Problem,
    *,
    seed: int,
    params: Params,
    start_from: Plan | None,
    known: Plan | None,
    turn: Turn,
    clock: Clock,
) -> Plan:
    """Plan a problem without links for as long as the clock allows.

    Parameters
    ----------
    problem
        What to plan.
    seed
        Decides what is closed.
    params
        How long turns are.
    start_from
        A plan to improve, None to begin from nothing.
    known
        A plan found before, None without one. Returned if nothing better is found.
    turn
        Searches; ends early when the clock says so.
    clock
        Looked at after every turn.
    """
    chance = random.Random(seed)
    seen = RoundsSeen(problem)
    n_visits = max(1, len(problem.visits))
    step = params.turn_per_visit * n_visits
    first = params.first_turn_per_visit * n_visits
    held = {visit.pinned.shift for visit in problem.visits if visit.pinned is not None}
    best = current = turn(
        number=0, iterations=first, start_from=start_from, closed=frozenset(), seen=seen
    )
    if known is not None and known.cost.total < best.cost.total:
        best = known
    number, gatherings, searched, has_last_to_come = 0, 0, first, True
    closings, failed = 0, 0  # turns with closed shifts, and those that left more out
    while not clock.is_over():
        number += 1
        found: Plan | None = None
        is_last = has_last_to_come and clock.progress() >= _LAST_GATHERING_AT
        due = _FIRST_GATHERING * (gatherings + 1) * (gatherings + 2) // 2 * step
        if is_last or searched >= due:
            gatherings += 1
            has_last_to_come = has_last_to_come and not is_last
            rounds = _put_together(seen, best, clock, is_last=is_last)
            if rounds is not None:
                found = turn(
                    number=number,
                    iterations=step,
                    start_from=_in_order(problem, best, rounds),
                    closed=frozenset(),
                    seen=seen,
                )
        is_full = closings >= _CLOSINGS_TO_JUDGE_BY and 2 * failed > closings
        fresh_share = _FRESH_SHARE_WHEN_FULL if is_full else _FRESH_SHARE
        if found is None and chance.random() < fresh_share:
            found = turn(
                number=number,
                iterations=first,
                start_from=start_from,
                closed=frozenset(),
                seen=seen,
            )
            searched += first
        if found is None:
            closed = _drawn(chance, current, held)
            found = turn(
                number=number, iterations=step, start_from=current, closed=closed, seen=seen
            )
            searched += step
            closings += len(closed) > 0
            failed += len(closed) > 0 and _is_short(found, current)
        worse = _WORSE_SHARE * (1 - clock.progress()) * chance.random()
        if found.cost.total < current.cost.total * (1 + worse):
            current = found
        if found.cost.total < best.cost.total:
            best = found
    return best


def _put_together(
    seen: RoundsSeen, best: Plan, clock: Clock, *, is_last: bool
) -> list[Round] | None:
    """Put the rounds together to something cheaper; tell meanwhile that somebody is at it."""
    left = clock.seconds_left()
    share = _LAST_GATHERING_SHARE if is_last else _GATHERING_SHARE
    end = math.inf if left is None else time.monotonic() + share * left

    def seconds_left() -> float:
        if clock.is_over():
            return 0.0
        return end if end == math.inf else end - time.monotonic()

    with ThreadPoolExecutor(1) as pool:
        found = pool.submit(seen.put_together, best.cost.total, seconds_left)
        while not wait([found], _TELL_EVERY_SECONDS).done:
            clock.tell()
    return found.result()


def _is_short(plan: Plan, of: Plan) -> bool:
    """Tell whether a plan is dearer than another and leaves more visits out."""
    return plan.cost.total > of.cost.total and len(plan.left_out) > len(of.left_out)


def _drawn(chance: random.Random, plan: Plan, held: set[str]) -> frozenset[str]:
    """Draw one or two of a plan's shifts, sparing those that are held by promises."""
    used = sorted({stop.shift for stop in plan.stops} - held)
    count = 2 if chance.random() < _SECOND_CLOSED_SHARE else 1
    drawn = set()
    for _ in range(min(count, len(used) - 1)):
        drawn.add(used.pop(int(chance.random() * len(used))))
    return frozenset(drawn)


def _in_order(problem: Problem, plan: Plan, rounds: list[Round]) -> Plan:
    """Return a plan to start from with the visits of some rounds in their order.

    What is pinned keeps its minute; the others are counted on from the pin before them.
    """
    stops = []
    for one in rounds:
        start = -1
        for visit in one.visits:
            pin = problem.visits[visit].pinned
            start = start + 1 if pin is None else pin.start
            stops.append(
                Stop(
                    visit=problem.visits[visit].id, shift=problem.shifts[one.shift].id, start=start
                )
            )
    return replace(plan, stops=tuple(stops))
