"""Small random planning problems for property tests."""

from dataclasses import replace
from datetime import UTC, datetime
from itertools import product

import numpy as np
from hypothesis import strategies as st

from scheduler.errors import InvalidProblem
from scheduler.routing.problem import (
    After,
    Charge,
    Pause,
    Pin,
    Place,
    Problem,
    Shift,
    Visit,
    Workshop,
)

DAY = 200
"""Minutes from one day of a small problem to the next."""

SKILLS = ("gas", "pressure", "wiring")
TOOLS = ("torch", "pump")
PARTS = ("gasket", "probe")


@st.composite
def problems(
    draw: st.DrawFn,
    *,
    max_visits: int = 6,
    max_shifts: int = 3,
    shortcuts: bool = True,
    supplies: bool = False,
    charges: tuple[Charge, ...] = (Charge.TRAVEL,),
    people: bool = False,
    links: bool = False,
    sites: bool = False,
) -> Problem:
    """Draw a problem with any mix of the features of the problem file.

    Travel is asymmetric, with legs of zero minutes; shifts have
    breaks, different homes and different skills; visits have several windows, zero minutes of
    work, shift costs and pins. Shifts last 60 to 150 minutes, so that some visits do not fit.

    Parameters
    ----------
    max_visits, max_shifts
        Upper bounds of the sizes; the lower bounds are one.
    supplies
        Whether visits need tools and parts, and shifts may fetch them at a workshop.
    charges
        What the rounds may cost.
    people
        Whether days are evened out, driving is limited, and some are slower than others.
    links
        Whether some visits come after others, or need two technicians.
    sites
        Whether some visits are of sites where one technician works at a time.
    shortcuts
        Whether a detour over a third place may be faster than the direct way, and a place away
        from itself. On a map it is not so, but nothing in the problem file forbids it.
    """
    n_places = draw(st.integers(1, 5))
    minutes = st.one_of(st.just(0), st.integers(0, 30), st.integers(0, 90))
    matrix = draw(
        st.lists(
            st.lists(minutes, min_size=n_places, max_size=n_places),
            min_size=n_places,
            max_size=n_places,
        )
    )
    if not shortcuts:
        for place in range(n_places):
            matrix[place][place] = 0
        for via, origin, target in product(range(n_places), repeat=3):
            detour = matrix[origin][via] + matrix[via][target]
            matrix[origin][target] = min(matrix[origin][target], detour)
    charge = draw(st.sampled_from(charges))
    places = tuple(Place(id=f"p{at}") for at in range(n_places))
    shifts = tuple(draw(_shift(at, n_places)) for at in range(draw(st.integers(1, max_shifts))))
    if supplies:
        shifts = tuple(draw(_equipped(shift, n_places)) for shift in shifts)
    balance = 0
    if people:
        shifts = tuple(draw(_human(shift)) for shift in shifts)
        balance = draw(st.sampled_from((0, 1, 7, 60)))
    visits: tuple[Visit, ...] = ()
    for at in range(draw(st.integers(1, max_visits))):
        visit = draw(_visit(at, n_places, shifts))
        if supplies:
            visit = draw(_demanding(visit))
        if people:
            visit = draw(_taking(visit, shifts))
        if links:
            visit = draw(_linked(visit, visits))
        if sites:
            visit = replace(visit, site=draw(st.sampled_from((None, "mill", "quay"))))
        try:
            # A pin that cannot be kept beside the earlier ones is no problem to be solved.
            problem = _problem(places, matrix, shifts, (*visits, visit), charge, balance)
        except InvalidProblem:
            continue
        visits = problem.visits
    return _problem(places, matrix, shifts, visits, charge, balance)


@st.composite
def _shift(draw: st.DrawFn, at: int, n_places: int) -> Shift:
    start = DAY * draw(st.sampled_from((0, 0, 1))) + draw(st.integers(0, 20))
    end = start + draw(st.integers(60, 150))
    pause = None
    if draw(st.booleans()):
        minutes = draw(st.integers(1, 30))
        earliest = start + draw(st.integers(-10, end - start - minutes))
        room = draw(st.integers(0, 60))
        latest = max(earliest, start) + minutes + room
        pause = Pause(minutes=minutes, earliest=earliest, latest=latest)
    return Shift(
        id=f"s{at}",
        technician=f"t{draw(st.integers(0, 2))}",
        start_place=draw(st.integers(0, n_places - 1)),
        end_place=draw(st.integers(0, n_places - 1)),
        start=start,
        end=end,
        skills=frozenset(draw(st.sets(st.sampled_from(SKILLS), min_size=2))),
        pause=pause,
    )


@st.composite
def _equipped(draw: st.DrawFn, shift: Shift, n_places: int) -> Shift:
    workshop = None
    if draw(st.booleans()):
        workshop = Workshop(
            place=draw(st.integers(0, n_places - 1)), minutes=draw(st.sampled_from((0, 0, 10)))
        )
    return replace(
        shift,
        tools=frozenset(draw(st.sets(st.sampled_from(TOOLS)))),
        parts=draw(st.dictionaries(st.sampled_from(PARTS), st.integers(0, 3))),
        workshop=workshop,
    )


@st.composite
def _human(draw: st.DrawFn, shift: Shift) -> Shift:
    return replace(
        shift,
        driving_limit=draw(st.one_of(st.none(), st.integers(0, 90))),
        usual_minutes=draw(st.sampled_from((0, 0, 30))),
    )


@st.composite
def _taking(draw: st.DrawFn, visit: Visit, shifts: tuple[Shift, ...]) -> Visit:
    names = [shift.id for shift in shifts]
    minutes = st.integers(0, 60)
    return replace(
        visit, shift_minutes=draw(st.dictionaries(st.sampled_from(names), minutes, max_size=2))
    )


@st.composite
def _linked(draw: st.DrawFn, visit: Visit, others: tuple[Visit, ...]) -> Visit:
    names = st.sampled_from([other.id for other in others]) if others else st.nothing()
    after = together = None
    if others and draw(st.integers(0, 2)) == 0:
        after = After(visit=draw(names), minutes=draw(st.sampled_from((0, 0, 30, 150))))
    if others and draw(st.integers(0, 2)) == 0:
        together = draw(names)
    return replace(visit, after=after, together_with=together)


@st.composite
def _demanding(draw: st.DrawFn, visit: Visit) -> Visit:
    return replace(
        visit,
        tools=frozenset(draw(st.sets(st.sampled_from(TOOLS), max_size=1))),
        parts=draw(st.dictionaries(st.sampled_from(PARTS), st.integers(0, 2))),
    )


@st.composite
def _visit(draw: st.DrawFn, at: int, n_places: int, shifts: tuple[Shift, ...]) -> Visit:
    windows = []
    for _ in range(draw(st.sampled_from((1, 2, 3, 2, 0)))):
        first = DAY * draw(st.sampled_from((0, 0, 1))) + draw(st.integers(0, 140))
        windows.append((first, first + draw(st.integers(0, 80))))
    skills = frozenset(draw(st.sets(st.sampled_from(SKILLS), max_size=1)))
    minutes = draw(st.one_of(st.just(0), st.integers(0, 50)))
    names = [shift.id for shift in shifts]
    shift_costs = (
        draw(st.dictionaries(st.sampled_from(names), st.integers(0, 40), max_size=2))
        if names
        else {}
    )
    pin = None
    if shifts and draw(st.integers(0, 5)) == 0:
        shift = draw(st.sampled_from(shifts))
        start = draw(st.integers(shift.start, shift.end))
        pin = Pin(shift=shift.id, start=start)
        windows.append((start, start))
        skills &= shift.skills
        minutes = min(minutes, shift.end - start)
    return Visit(
        id=f"v{at}",
        place=draw(st.integers(0, n_places - 1)),
        minutes=minutes,
        skills=skills,
        start_windows=tuple(windows),
        leave_out_cost=draw(st.integers(0, 300)),
        pinned=pin,
        shift_costs=shift_costs,
    )


def _problem(
    places: tuple[Place, ...],
    matrix: list[list[int]],
    shifts: tuple[Shift, ...],
    visits: tuple[Visit, ...],
    charge: Charge,
    balance: int,
) -> Problem:
    return Problem(
        minute_zero=datetime(2027, 3, 1, tzinfo=UTC),
        places=places,
        travel_minutes=np.array(matrix, dtype=np.int32),
        shifts=shifts,
        visits=visits,
        charge=charge,
        balance=balance,
    )
