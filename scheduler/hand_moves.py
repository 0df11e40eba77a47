"""A time chosen by hand → what it breaks: hours, access, the deadline, parts, drives, the break.

A dispatcher may know better than the planner, so nothing here refuses; but nobody should find out
from a technician that there was no time to get there.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date
from enum import StrEnum

from scheduler.offers import Question, rounds_of
from scheduler.routing.parts import Pin, Shift, Visit
from scheduler.routing.remedies import IDS_AND_UTC, Words, listed
from scheduler.routing.timing import timetable


class Breach(StrEnum):
    """What a time chosen by hand can break."""

    PROMISE = "promise_to_client"
    AFTER_LAST_DAY = "after_last_day"
    OUTSIDE_HOURS = "outside_hours"
    OUTSIDE_ACCESS = "outside_access"
    AFTER_DEADLINE = "after_deadline"
    NO_WAY_THERE = "no_time_to_get_there"
    NO_WAY_ON = "no_time_to_get_on"
    NO_WAY_HOME = "no_time_to_get_home"
    DRIVES_TOO_LONG = "drives_too_long"
    NO_BREAK = "no_room_for_the_break"
    SECOND_AT_SITE = "second_technician_at_site"
    PARTS_MISSING = "parts_missing"


@dataclass(frozen=True, slots=True, kw_only=True)
class Broken:
    """One thing that is broken, in a code and a sentence with its numbers."""

    breach: Breach
    detail: str


def what_breaks(
    question: Question,
    start: int,
    *,
    day: date | None = None,
    last_day: date | None = None,
    calls: bool = False,
    words: Words = IDS_AND_UTC,
) -> tuple[Broken, ...]:
    """List what breaks when the visit starts at a minute; nothing when all is kept.

    Parameters
    ----------
    question
        The published calendar of one technician on one day, and the visit, which is not in it;
        beside them who else goes to its site.
    start
        Minute of the problem.
    day, last_day
        On which it starts, at the site, and the last one law or maker allow; None without any.
    calls
        Whether its round calls at the workshop on the way to it.
    words
        How parts are called.
    """
    if day is None or last_day is None or day <= last_day:
        return tuple(_broken(question, start, calls, words))
    late = Broken(
        breach=Breach.AFTER_LAST_DAY,
        detail=f"Law or maker allow the work until {last_day}, never later. Whether the site lets "
        "anybody in after that day has not been looked at.",
    )
    # the windows of a visit end with its last day: beyond it they say nothing of the site
    anywhere = replace(question.visit, start_windows=((start, start),))
    return (late, *_broken(replace(question, visit=anywhere), start, calls, words))


def _broken(question: Question, start: int, calls: bool, words: Words) -> Iterator[Broken]:
    problem, visit = question.problem, question.visit
    if not visit.may_start_at(start):
        detail = "The site does not let anybody work there all that time, or not yet."
        yield Broken(breach=Breach.OUTSIDE_ACCESS, detail=detail)
    if question.deadline is not None and start > question.deadline:
        late = start - question.deadline
        detail = f"The answer promised to the client is due {late} minutes before."
        yield Broken(breach=Breach.AFTER_DEADLINE, detail=detail)
    at = next(
        (
            number
            for number, shift in enumerate(problem.shifts)
            if question.asks(shift)
            and start < shift.end
            and shift.start < start + visit.minutes_in(shift.id) + 1
        ),
        None,
    )
    if at is None:
        detail = "The technician does not work at that time."
        yield Broken(breach=Breach.OUTSIDE_HOURS, detail=detail)
        return
    shift = problem.shifts[at]
    if question.barred()[at]:
        detail = "Another technician goes to that site while this one works: one of them should."
        yield Broken(breach=Breach.SECOND_AT_SITE, detail=detail)
    end = start + visit.minutes_in(shift.id)
    if start < shift.start or end > shift.end:
        over = max(shift.start - start, end - shift.end)
        detail = f"The work lies {over} minutes outside the technician's hours."
        yield Broken(breach=Breach.OUTSIDE_HOURS, detail=detail)
    round_ = rounds_of(problem, question.plan)[at]
    made = [problem.visits[index] for index in round_.order]
    starts = {stop.visit: stop.start for stop in question.plan.stops}
    earlier = [other for other in made if starts[other.id] < start]
    later = made[len(earlier) :]
    call = round_.call_before
    calls_next = not calls and call is not None and call == len(earlier)
    called = calls or (call is not None and call < len(earlier))
    if (missing := question.lacking.get(shift.id)) and not called:
        detail = (
            f"The van has not got {listed(words.pieces(missing))} to spare, and the round does not "
            "call at the workshop before: load it first, or ask for a plan."
        )
        yield Broken(breach=Breach.PARTS_MISSING, detail=detail)
    ways = (calls, calls_next)
    drives = list(_drives_broken(question, shift, (earlier, later), (start, end), ways))
    yield from drives
    if drives or start < shift.start or end > shift.end:
        return  # what the break needs is no question then
    held = replace(visit, pinned=Pin(shift=shift.id, start=start), start_windows=((start, start),))
    order = [*earlier, held, *later]
    without_limit = replace(shift, driving_limit=None)
    if made and timetable(problem, without_limit, made, call) is None:
        return  # it could not be kept before either
    call_now = call + 1 if call is not None and call >= len(earlier) else call
    call_now = len(earlier) if calls else call_now
    if timetable(problem, without_limit, order, call_now) is None:
        assert shift.pause is not None, "without a break there is time for all drives"
        detail = f"There is no room left for the break of {shift.pause.minutes} minutes."
        yield Broken(breach=Breach.NO_BREAK, detail=detail)
    elif timetable(problem, shift, order, call_now) is None:
        detail = f"The round takes more than {shift.driving_limit} minutes of driving."
        yield Broken(breach=Breach.DRIVES_TOO_LONG, detail=detail)


def _drives_broken(
    question: Question,
    shift: Shift,
    neighbours: tuple[list[Visit], list[Visit]],
    span: tuple[int, int],
    over_workshop: tuple[bool, bool],
) -> Iterator[Broken]:
    """The drives to the visit and from it, each over the workshop where the round calls then."""
    problem, place = question.problem, question.visit.place
    starts = {stop.visit: stop.start for stop in question.plan.stops}
    (earlier, later), (start, end), (calls, calls_next) = neighbours, span, over_workshop
    free, origin, whence = shift.start, shift.start_place, "where the day begins"
    if earlier:
        before = earlier[-1]
        free, origin = starts[before.id] + before.minutes_in(shift.id), before.place
        whence = "the visit before"
    there = problem.journey_minutes(shift, origin, place, over_workshop=calls)
    if start - free < there and start >= shift.start:
        whence += " over the workshop" if calls else ""
        yield Broken(
            breach=Breach.NO_WAY_THERE,
            detail=f"It takes {there} minutes from {whence}; there are {max(start - free, 0)}.",
        )
    due, target = shift.end, shift.end_place
    if later:
        due, target = starts[later[0].id], later[0].place
    onwards = problem.journey_minutes(shift, place, target, over_workshop=calls_next)
    if due - end < onwards and end <= shift.end:
        breach = Breach.NO_WAY_ON if later else Breach.NO_WAY_HOME
        whither = "to the visit after" if later else "to get home"
        whither += " over the workshop" if calls_next else ""
        detail = f"It takes {onwards} minutes {whither}; there are {max(due - end, 0)}."
        yield Broken(breach=breach, detail=detail)
