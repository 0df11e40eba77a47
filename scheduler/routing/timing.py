"""When does a fixed order of visits happen, if every one starts as early as it can?

Plain Python and exact: leaving earlier never arrives later, so it is enough to know the
earliest time in two states, break not yet taken and break taken. Where working time is charged,
the round begins as late as it can without ending later.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from scheduler.routing.plan import BreakTaken, Stop
from scheduler.routing.problem import Charge, Pause, Problem, Shift, Visit


@dataclass(frozen=True, slots=True, kw_only=True)
class Timetable:
    """The earliest times of a round.

    Attributes
    ----------
    starts
        The minute each visit starts, in the order given.
    break_start
        The minute the break starts, None when the shift has none.
    end
        The minute the round is over.
    """

    starts: tuple[int, ...]
    break_start: int | None
    end: int

    def stops(self, shift: Shift, order: Sequence[Visit]) -> list[Stop]:
        """Return the stops of the shift that makes the visits, in the order they were timed."""
        return [
            Stop(visit=visit.id, shift=shift.id, start=start)
            for visit, start in zip(order, self.starts, strict=True)
        ]

    def breaks(self, shift: Shift) -> list[BreakTaken]:
        """Return the break of the shift, none when it has none."""
        if self.break_start is None:
            return []
        return [BreakTaken(shift=shift.id, start=self.break_start)]


def first_start(visit: Visit, shift: Shift, minute: int) -> int | None:
    """Return the first minute >= `minute` at which the visit may start in the shift, if any."""
    if visit.pinned is not None:
        allowed = visit.pinned.shift == shift.id and minute <= visit.pinned.start
        return visit.pinned.start if allowed else None
    for first, last in visit.start_windows:
        if minute <= last:
            return max(first, minute)
    return None


def ready_after_break(leave: int, journey: int, pause: Pause) -> int | None:
    """Return the earliest arrival when the break is taken on the way, None when it cannot be.

    Parameters
    ----------
    leave
        The minute one is free to go.
    journey
        Minutes of travel, which the break may split.
    pause
        The break.
    """
    if max(leave, pause.earliest) + pause.minutes > pause.latest:
        return None
    return max(leave + journey, pause.earliest) + pause.minutes


def timetable(
    problem: Problem, shift: Shift, order: Sequence[Visit], call_before: int | None = None
) -> Timetable | None:
    """Time a round of the given order to end as early as possible.

    Parameters
    ----------
    problem
        Gives the travel minutes.
    shift
        Whose round it is; its skills are not looked at.
    order
        The visits in the order they are made, at least one.
    call_before
        Index in the order of the visit that is reached over the workshop, if any.

    Returns
    -------
    Timetable or None
        None when the order breaks a window, a pin, the break, the shift's hours or its limit of
        driving.
    """
    places = [shift.start_place, *(visit.place for visit in order), shift.end_place]
    journeys = [
        problem.journey_minutes(shift, *leg, over_workshop=at == call_before)
        for at, leg in enumerate(pairwise(places))
    ]
    if shift.driving_limit is not None and sum(journeys) > shift.driving_limit:
        return None
    found = _from(shift.start, shift, order, journeys)
    if found is None or problem.charge is Charge.TRAVEL:
        return found
    beginning, too_late = shift.start, found.end + 1
    while too_late - beginning > 1:
        middle = (beginning + too_late) // 2
        later = _from(middle, shift, order, journeys)
        if later is not None and later.end == found.end:
            beginning = middle
        else:
            too_late = middle
    return _from(beginning, shift, order, journeys)


def _from(
    beginning: int, shift: Shift, order: Sequence[Visit], journeys: Sequence[int]
) -> Timetable | None:
    """Time a round that begins at some minute."""
    pause = shift.pause
    # (free to leave, starts so far, minute of the break) in each state, None when out of reach
    fresh: tuple[int, tuple[int, ...]] | None = (beginning, ())
    rested: tuple[int, tuple[int, ...], int | None] | None = None
    if pause is None:
        fresh, rested = None, (beginning, (), None)
    for visit, journey in zip(order, journeys[:-1], strict=True):
        arrivals = [] if rested is None else [(rested[0] + journey, rested[1], rested[2])]
        if fresh is not None and pause is not None:
            ready = ready_after_break(fresh[0], journey, pause)
            if ready is not None:
                arrivals.append((ready, fresh[1], _break_start(fresh[0], journey, pause)))
        rested = None
        if arrivals:
            minute, starts, break_start = min(arrivals, key=lambda arrival: arrival[0])
            start = first_start(visit, shift, minute)
            if start is not None:
                rested = (start + visit.minutes_in(shift.id), (*starts, start), break_start)
        if fresh is not None:
            start = first_start(visit, shift, fresh[0] + journey)
            on_site = visit.minutes_in(shift.id)
            fresh = None if start is None else (start + on_site, (*fresh[1], start))
        if fresh is None and rested is None:
            return None
    journey = journeys[-1]
    returns = [] if rested is None else [(rested[0] + journey, rested[1], rested[2])]
    if fresh is not None and pause is not None:
        ready = ready_after_break(fresh[0], journey, pause)
        if ready is not None:
            returns.append((ready, fresh[1], _break_start(fresh[0], journey, pause)))
    minute, starts, break_start = min(
        returns, key=lambda way: way[0], default=(shift.end + 1, (), None)
    )
    if minute > shift.end:
        return None
    return Timetable(starts=starts, break_start=break_start, end=minute)


def _break_start(leave: int, journey: int, pause: Pause) -> int:
    """Start the break on arrival if that is in time, else on the way: the same arrival."""
    on_arrival = max(leave + journey, pause.earliest)
    if on_arrival + pause.minutes <= pause.latest:
        return on_arrival
    return max(leave, pause.earliest)
