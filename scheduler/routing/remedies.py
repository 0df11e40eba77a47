"""What to change in a problem so that a visit left out can be planned."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import timedelta
from zoneinfo import ZoneInfo

from scheduler.routing.plan import Plan, plan_of
from scheduler.routing.problem import Problem, Visit
from scheduler.routing.timing import timetable


@dataclass(frozen=True, slots=True, kw_only=True)
class Words:
    """How sentences name things: by id and in UTC, or as the people concerned call them.

    Attributes
    ----------
    rounds
        Shift id to the name of its round, day included: "Ann's round on Mon 1 Mar".
    visits
        Visit id to its name.
    parts
        Kind of part to its name.
    zone
        IANA zone of the wall clock; only looked at for rounds that have a name.
    """

    rounds: Mapping[str, str] = field(default_factory=dict)
    visits: Mapping[str, str] = field(default_factory=dict)
    parts: Mapping[str, str] = field(default_factory=dict)
    zone: str = "UTC"

    def shift(self, shift_id: str) -> str:
        """Return the name of a shift's round, or its id."""
        return self.rounds.get(shift_id, f"shift {shift_id!r}")

    def visit(self, visit_id: str) -> str:
        """Return the name of a visit, or its id."""
        return self.visits.get(visit_id, repr(visit_id))

    def pieces(self, counts: Mapping[str, int], more: str = "") -> list[str]:
        """Return how many of each part, by its name or else by its kind."""
        return [
            f"{count}{more} of {self.parts.get(kind, kind)}"
            for kind, count in sorted(counts.items())
        ]

    def clock(self, problem: Problem, shift_id: str, minute: int) -> str:
        """Return a minute of a shift: the time of day where its name tells the day."""
        moment = problem.minute_zero + timedelta(minutes=minute)
        if shift_id in self.rounds:
            return f"{moment.astimezone(ZoneInfo(self.zone)):%H:%M}"
        return f"{moment:%Y-%m-%d %H:%M} UTC"

    @property
    def is_plain(self) -> bool:
        """Whether ids stand for themselves: the reader works with the problem file."""
        return not self.rounds


IDS_AND_UTC = Words()


@dataclass(frozen=True, slots=True, kw_only=True)
class Remedy:
    """A change to the problem, and where the visit would then stand.

    With the change made, the plan that stands takes the visit in without breaking a rule and
    costs less than the same plan without it. A change that others could use as well (a skill,
    longer hours, a lifted pin) may tempt the planner to use it for something better still.

    Attributes
    ----------
    visit
        The visit's id.
    shift, start
        The shift that would make it and the minute it would start.
    order
        The ids of the visits of that shift, the new one included, in order.
    extra_cost
        What the plan would cost more, the leave-out cost saved not counted.
    skills
        Skills to give to the shift.
    tools, parts
        What the shift has to take along besides.
    adds_window
        Whether the visit needs a start window at `start`.
    hours
        New start and end of the shift, None when they may stay.
    lifts_pins
        Ids of visits whose pins are to be lifted.
    leave_out_cost
        What leaving the visit out must be made to cost, None when it may stay.
    others_there
        Ids of the shifts whose visits to its site are in its way; the one that would make it may
        be among them.
    """

    visit: str
    shift: str
    start: int
    order: tuple[str, ...]
    extra_cost: int
    skills: frozenset[str] = frozenset()
    tools: frozenset[str] = frozenset()
    parts: Mapping[str, int] = field(default_factory=dict)
    adds_window: bool = False
    hours: tuple[int, int] | None = None
    lifts_pins: tuple[str, ...] = ()
    leave_out_cost: int | None = None
    others_there: tuple[str, ...] = ()

    def applied_to(self, problem: Problem) -> Problem:
        """Return the problem with the change made."""
        shifts = list(problem.shifts)
        at = problem.shift_index()[self.shift]
        start, end = self.hours or (shifts[at].start, shifts[at].end)
        shifts[at] = replace(
            shifts[at],
            skills=shifts[at].skills | self.skills,
            start=start,
            end=end,
            tools=shifts[at].tools | self.tools,
            parts=Counter(shifts[at].parts) + Counter(self.parts),
        )
        visits = list(problem.visits)
        index = problem.visit_index()
        for name in self.lifts_pins:
            visits[index[name]] = replace(visits[index[name]], pinned=None)
        visit = visits[index[self.visit]]
        if self.adds_window:
            visit = replace(visit, start_windows=(*visit.start_windows, (self.start, self.start)))
        if self.leave_out_cost is not None:
            visit = replace(visit, leave_out_cost=self.leave_out_cost)
        visits[index[self.visit]] = visit
        return replace(problem, shifts=tuple(shifts), visits=tuple(visits))

    def sentence(self, problem: Problem, words: Words = IDS_AND_UTC) -> str:
        """Say what to do and what would come of it."""
        shift, start = words.shift(self.shift), words.clock(problem, self.shift, self.start)
        steps = []
        if self.skills:
            steps.append(f"give {shift} the skill {listed(sorted(self.skills))}")
        if self.tools or self.parts:
            things = [*sorted(self.tools), *words.pieces(self.parts, " more")]
            steps.append(f"let {shift} take along {listed(things)}")
        if self.adds_window and self.others_there:
            steps.append(
                f"allow a start at {start}, outside its hours or days, when no other technician is "
                "at that site"
            )
        elif self.adds_window:
            steps.append(f"arrange access for a start at {start}")
        if self.hours is not None:
            first, last = (words.clock(problem, self.shift, minute) for minute in self.hours)
            steps.append(f"let {shift} last from {first} to {last}")
        if self.lifts_pins:
            pinned = listed([words.visit(name) for name in self.lifts_pins])
            steps.append(f"lift the pin of {pinned}")
        if self.leave_out_cost is not None:
            steps.append(
                f"raise the leave-out cost of {self.visit!r} to {self.leave_out_cost} or more"
                if words.is_plain
                else "book it by hand"
            )
        if not steps:
            steps.append("let the planner search longer, or put it there by hand")
        todo = " and ".join(steps)
        at_start = "" if self.adds_window else f" at {start}"
        outcome = f"it could then {'be made' if self.adds_window else 'start'}{at_start} in {shift}"
        if self.shift in self.others_there:
            outcome = f"{shift}, at that site anyway, could then take it along{at_start}"
        return f"{todo[0].upper()}{todo[1:]}; {outcome}, for {self.extra_cost} minutes of cost."

    def plan_with(self, problem: Problem, plan: Plan) -> Plan:
        """Return the plan with the visit taken in.

        Parameters
        ----------
        problem
            The problem with the remedy applied.
        plan
            The plan the remedy was found for. Visits that gave way are listed as left out.
        """
        held = with_links_held(problem, plan, but=self.visit)
        index = held.visit_index()
        moved = {held.shift_index()[self.shift]: tuple(index[name] for name in self.order)}
        found = with_rounds(held, plan, moved)
        if found is None:
            raise AssertionError(f"remedy for {self.visit!r} was offered without a timetable")
        return found


def with_links_held(problem: Problem, plan: Plan, *, but: str | None = None) -> Problem:
    """Return the problem with planned visits that hang together kept to their present minute.

    Whatever joins their rounds then breaks no link. `but` names a visit to leave alone.
    """
    linked = problem.linked_visits()
    if not linked:
        return problem
    starts = {stop.visit: stop.start for stop in plan.stops if stop.visit in linked}

    def held(visit: Visit) -> Visit:
        start = starts.get(visit.id)
        if start is None or visit.id == but:
            return visit
        return replace(visit, start_windows=((start, start),))

    return replace(problem, visits=tuple(held(visit) for visit in problem.visits))


def with_rounds(problem: Problem, plan: Plan, orders: Mapping[int, Sequence[int]]) -> Plan | None:
    """Return the plan with some rounds made anew; None where one of them cannot be made.

    Parameters
    ----------
    problem
        The problem.
    plan
        Its other rounds stay. Visits that lose their place are listed as left out.
    orders
        Index of a shift to the indices of its visits, in order.
    """
    changed = {problem.shifts[at].id for at in orders}
    stops = [stop for stop in plan.stops if stop.shift not in changed]
    breaks = [taken for taken in plan.breaks if taken.shift not in changed]
    calls = [call for call in plan.calls if call.shift not in changed]
    for at, order in orders.items():
        if not order:
            continue
        shift = problem.shifts[at]
        made = [problem.visits[index] for index in order]
        times = timetable(problem, shift, made)
        if times is None:
            return None
        stops += times.stops(shift, made)
        breaks += times.breaks(shift)
    return plan_of(problem, stops, breaks=breaks, calls=calls)


def listed(names: Sequence[str]) -> str:
    """Return names as a list in a sentence: a, b and c."""
    return " and ".join(filter(None, [", ".join(names[:-1]), names[-1]])) if names else ""
