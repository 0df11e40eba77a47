"""Could the rounds of a plan be made in their time?  A part of the checker.

Like the rest of it, this shares no code with the engine.
"""

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

from scheduler.routing.plan import BreakTaken, Plan, Stop
from scheduler.routing.problem import Problem, Shift, Visit
from scheduler.routing.violations import Rule, Violation


@dataclass(frozen=True, slots=True)
class _Station:
    """Where a round is bound for a while: the start of the shift, a visit, or its end."""

    place: int
    arrive: int
    leave: int
    visit: str | None


def rounds_out_of_time(
    problem: Problem, plan: Plan, rounds: dict[str, list[Stop]], visits: dict[str, Visit]
) -> Iterator[Violation]:
    """Between any two stations there is time for the journey and for a break taken there."""
    breaks: dict[str, list[BreakTaken]] = defaultdict(list)
    for taken in plan.breaks:
        breaks[taken.shift].append(taken)
    for shift in problem.shifts:
        if shift.id not in rounds:
            continue
        stations = [_Station(shift.start_place, shift.start, shift.start, None)]
        for stop in rounds[shift.id]:
            visit = visits[stop.visit]
            leave = stop.start + on_site(visit, shift.id)
            stations.append(_Station(visit.place, stop.start, leave, visit.id))
        stations.append(_Station(shift.end_place, shift.end, shift.end, None))
        spans = []
        if shift.pause is not None:
            minutes = shift.pause.minutes
            spans = [(taken.start, taken.start + minutes) for taken in breaks[shift.id]]
        over_workshop = {call.before for call in plan.calls if call.shift == shift.id}
        yield from _interrupted(shift, stations, spans)
        for before, after in pairwise(stations):
            calls = after.visit in over_workshop
            journey = _journey(problem, shift, before.place, after.place, calls)
            yield from _hurried(shift, before, after, journey, spans)


def rounds_too_far(
    problem: Problem, plan: Plan, rounds: dict[str, list[Stop]], visits: dict[str, Visit]
) -> Iterator[Violation]:
    """The travel of each round against the driving limit of its shift."""
    for shift in problem.shifts:
        if shift.id in rounds and shift.driving_limit is not None:
            driven = sum(legs(problem, plan, shift, rounds[shift.id], visits))
            if driven > shift.driving_limit:
                yield Violation(
                    rule=Rule.DRIVES_TOO_LONG,
                    detail=f"Shift {shift.id!r} travels {driven} minutes, above its limit of "
                    f"{shift.driving_limit}.",
                    shift=shift.id,
                )


def _interrupted(
    shift: Shift, stations: list[_Station], spans: list[tuple[int, int]]
) -> Iterator[Violation]:
    """Breaks that overlap a visit."""
    for begin, end in spans:
        for station in stations[1:-1]:
            if begin < station.leave and station.arrive < end:
                yield Violation(
                    rule=Rule.BREAK_DURING_VISIT,
                    detail=f"The break of shift {shift.id!r} from minute {begin} to {end} "
                    f"overlaps visit {station.visit!r} "
                    f"from {station.arrive} to {station.leave}.",
                    visit=station.visit,
                    shift=shift.id,
                )


def _hurried(
    shift: Shift,
    before: _Station,
    after: _Station,
    journey: int,
    spans: list[tuple[int, int]],
) -> Iterator[Violation]:
    """Too little time between two stations."""
    resting = sum(
        end - begin for begin, end in spans if before.leave <= begin and end <= after.arrive
    )
    available = after.arrive - before.leave
    if available >= journey + resting:
        return
    needs = f"{journey} minutes of travel"
    if resting:
        needs += f" and {resting} of break"
    if before.visit is None:
        rule = Rule.STARTS_TOO_EARLY
        detail = (
            f"Visit {after.visit!r} starts at minute {after.arrive}; from the start of shift "
            f"{shift.id!r} at {shift.start} it takes {needs}."
        )
    elif after.visit is None:
        rule = Rule.RETURNS_TOO_LATE
        detail = (
            f"Visit {before.visit!r} ends at minute {before.leave}; until the end of shift "
            f"{shift.id!r} at {shift.end} it takes {needs}."
        )
    elif available < 0:
        rule = Rule.VISITS_OVERLAP
        detail = (
            f"Visit {after.visit!r} starts at minute {after.arrive} while visit "
            f"{before.visit!r} lasts until {before.leave}."
        )
    else:
        rule = Rule.TRAVEL_TOO_SHORT
        detail = (
            f"Between the end of visit {before.visit!r} at minute {before.leave} and the start "
            f"of {after.visit!r} at {after.arrive} there are {available} minutes; it takes {needs}."
        )
    yield Violation(rule=rule, detail=detail, visit=after.visit or before.visit, shift=shift.id)


def legs(
    problem: Problem, plan: Plan, shift: Shift, stops: list[Stop], visits: dict[str, Visit]
) -> list[int]:
    """The journeys of a round that makes some stops."""
    over_workshop = {call.before for call in plan.calls if call.shift == shift.id}
    places = [shift.start_place, *(visits[stop.visit].place for stop in stops), shift.end_place]
    calls = [*(stop.visit in over_workshop for stop in stops), False]
    return [
        _journey(problem, shift, origin, target, call)
        for (origin, target), call in zip(pairwise(places), calls, strict=True)
    ]


def _journey(problem: Problem, shift: Shift, origin: int, target: int, calls: bool) -> int:
    """Minutes between two places, with the call at the workshop on the way or not."""
    minutes = problem.travel_minutes
    if not calls or shift.workshop is None:
        return int(minutes[origin, target])
    workshop = shift.workshop
    return int(minutes[origin, workshop.place] + workshop.minutes + minutes[workshop.place, target])


def on_site(visit: Visit, shift_id: str) -> int:
    """Minutes a visit takes when a shift makes it."""
    return visit.shift_minutes.get(shift_id, visit.minutes)
