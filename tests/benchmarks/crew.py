"""Invented multi-day crew problems, the same for the same size and seed.

    python -m tests.benchmarks.crew --size M --seed 7 --out M7.json.gz

A region of 60 by 60 km, half of its sites in towns of different sizes and half between them.
Technicians work five or ten days of eight and a half hours with a floating break of half an hour,
start from home, miss a day now and then, and can do three to five of six kinds of work; the first
is common. Sites let people in at one of five usual times, and one in seven is closed on a weekday.

Over half of the visits are upkeep with some days to choose from, dearer the longer it is overdue.
A quarter must be made within two or three days, and one in six is urgent: a callback with an
answer promised within hours, or work that its deadline makes hard. One visit in twelve is promised
already. Somebody could make each visit if it were the only one, and a good plan leaves next to
nothing out: what it costs is travel, which planning can save.
"""

import argparse
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from scheduler.routing.parts import Pause, Pin, Place, Shift, Visit
from scheduler.routing.problem import Problem
from scheduler.routing.problem_file import write_problem
from scheduler.routing.timing import timetable

DAY = 24 * 60
REGION_KM = 60.0
SKILLS = ("general", "gas", "boards", "grinders", "water", "pressure")


@dataclass(frozen=True, slots=True, kw_only=True)
class Size:
    """How much there is of everything, in a square region.

    Attributes
    ----------
    fullness
        Minutes of visits for each minute technicians have. They miss more days until it is
        reached, as long as somebody could still make each visit. None: as it comes.
    """

    technicians: int
    days: int
    visits: int
    towns: int
    region_km: float = REGION_KM
    fullness: float | None = None


TravelBetween = Callable[[np.ndarray, np.random.Generator], np.ndarray]


SIZES = {
    "S": Size(technicians=5, days=5, visits=80, towns=6, fullness=0.72),
    "R": Size(technicians=5, days=5, visits=80, towns=6),  # roomy: hardly anything to be decided
    "M": Size(technicians=15, days=10, visits=500, towns=12),
    "L": Size(technicians=60, days=10, visits=2500, towns=25),
}

ACCESS_HOURS = (
    ((6 * 60, 18 * 60),),  # all day
    ((6 * 60, 11 * 60),),  # a bakery: mornings
    ((13 * 60, 18 * 60),),  # a bar: before it fills
    ((9 * 60, 11 * 60 + 30), (14 * 60, 17 * 60)),  # an office: between the rushes
    ((5 * 60, 7 * 60 + 30), (14 * 60, 19 * 60)),  # a hotel: outside breakfast and lunch
)
ACCESS_SHARES = (0.54, 0.12, 0.1, 0.12, 0.12)

MINUTES = (30, 45, 60, 75, 90, 120, 150, 180, 240)
MINUTES_SHARES = (0.08, 0.13, 0.21, 0.17, 0.16, 0.13, 0.06, 0.04, 0.02)

CALLBACK_HOURS = (4, 8, 24, 48)
KNOWN_FROM = 8 * 60  # of the day on which it comes in

QUARTER = 15

_MOST_TRIES = 1000
"""After so many visits that nobody could make, their site is open all day, every day."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Due:
    """When a visit may be made and what it costs not to make it.

    Attributes
    ----------
    first_day, days
        The days it may be made on.
    leave_out_cost
        In minutes of travel.
    answer_hours
        A callback's work begins within so many hours of its first morning.
    """

    first_day: int
    days: int
    leave_out_cost: int
    answer_hours: int | None = None


def crew_problem(size: Size, seed: int, travel: TravelBetween | None = None) -> Problem:
    """Invent a problem.

    Parameters
    ----------
    size
        How many technicians, days, visits and towns.
    seed
        Any whole number >= 0.
    travel
        Whole minutes between spots in km, by :func:`travel_minutes` unless given.
    """
    random = np.random.default_rng(seed)
    n_sites = -(-size.visits * 3 // 4)
    spots = _spots(size, size.technicians + n_sites, random)
    minutes = (travel or travel_minutes)(spots, random)
    shifts = tuple(
        shift for technician in range(size.technicians) for shift in _week(technician, size, random)
    )
    empty = Problem(
        minute_zero=datetime(2027, 3, 1, tzinfo=UTC),
        places=tuple(Place(id=f"p{number}") for number in range(len(spots))),
        travel_minutes=minutes,
        shifts=shifts,
        visits=(),
    )
    crew = [sorted(skills) for skills in dict.fromkeys(shift.skills for shift in shifts)]
    hours = random.choice(len(ACCESS_HOURS), n_sites, p=ACCESS_SHARES)
    closing = 1 / 7 if size.days >= 5 else 0.0
    closed = np.where(random.random(n_sites) < closing, random.integers(5, size=n_sites), -1)
    visits: list[Visit] = []
    in_vain = 0
    while len(visits) < size.visits:
        number = len(visits)
        # every site has a visit, some have more
        site = number if number < n_sites else int(random.integers(n_sites))
        visit = _visit(
            f"v{number}",
            size.technicians + site,
            ACCESS_HOURS[hours[site]],
            [day for day in range(size.days) if day % 5 != closed[site]],
            size.days,
            _skills(crew[int(random.integers(len(crew)))], random),
            random,
        )
        if _somebody_could(empty, visit):
            visits.append(visit)
            in_vain = 0
            continue
        in_vain += 1
        if in_vain == _MOST_TRIES:  # a few technicians may all be away when a site lets people in
            hours[site], closed[site] = 0, -1
    problem = replace(empty, visits=tuple(visits))
    if size.fullness is not None:
        problem = _fuller(problem, size.fullness, random)
    return _with_pins(problem, random)


def _fuller(problem: Problem, fullness: float, random: np.random.Generator) -> Problem:
    """Let technicians miss days until there is so much work for the time they have."""
    work = sum(visit.minutes for visit in problem.visits)
    for missed in [problem.shifts[at].id for at in random.permutation(len(problem.shifts))]:
        with_less = replace(
            problem, shifts=tuple(shift for shift in problem.shifts if shift.id != missed)
        )
        if work > fullness * sum(_available(shift) for shift in with_less.shifts):
            break
        if all(_somebody_could(with_less, visit) for visit in problem.visits):
            problem = with_less
    return problem


def _available(shift: Shift) -> int:
    return shift.end - shift.start - (0 if shift.pause is None else shift.pause.minutes)


def _somebody_could(problem: Problem, visit: Visit) -> bool:
    """Whether there is a shift with room for the visit if it were the only one."""
    return any(
        visit.skills <= shift.skills and timetable(problem, shift, [visit]) is not None
        for shift in problem.shifts
    )


def _spots(size: Size, count: int, random: np.random.Generator) -> np.ndarray:
    """Return places in km: half of them in towns, of which few are large, half anywhere."""
    towns = random.uniform(5, size.region_km - 5, (size.towns, 2))
    weights = random.pareto(1.5, size.towns) + 0.3
    chosen = random.choice(size.towns, count, p=weights / weights.sum())
    in_town = towns[chosen] + random.normal(0, 4, (count, 2))
    anywhere = random.uniform(0, size.region_km, (count, 2))
    spots = np.where(random.random((count, 1)) < 0.5, in_town, anywhere)
    return np.clip(spots, 0, size.region_km)


def travel_minutes(spots: np.ndarray, random: np.random.Generator) -> np.ndarray:
    """Whole minutes between spots in km: 37 km/h as the crow flies, other ways there and back."""
    crow_km = np.linalg.norm(spots[:, None] - spots[None, :], axis=2)
    minutes = (2 + 1.6 * crow_km) * random.uniform(0.9, 1.1, crow_km.shape)
    np.fill_diagonal(minutes, 0)
    return np.rint(minutes).astype(np.int32)


def _week(technician: int, size: Size, random: np.random.Generator) -> list[Shift]:
    rare = random.permutation(SKILLS[1:])[: random.integers(2, 5)]
    begins = 6 * 60 if random.random() < 0.2 else 8 * 60
    away = int(random.integers(2 * size.days))  # every other technician misses one day
    return [
        Shift(
            id=f"t{technician}/d{day}",
            technician=f"t{technician}",
            start_place=technician,
            end_place=technician,
            start=day * DAY + begins,
            end=day * DAY + begins + (390 if random.random() < 0.03 else 510),
            skills=frozenset({SKILLS[0], *map(str, rare)}),
            pause=Pause(minutes=30, earliest=day * DAY + 11 * 60 + 30, latest=day * DAY + 14 * 60),
        )
        for day in range(size.days)
        if day != away
    ]


def _due(days: int, random: np.random.Generator) -> _Due:
    """Draw what kind of visit it is: upkeep, soon due, hard, or a callback."""

    def within(least: int, most: int, leave_out_cost: int) -> _Due:
        lasts = min(int(random.integers(least, most + 1)), days)
        first_day = int(random.integers(days - lasts + 1))
        return _Due(first_day=first_day, days=lasts, leave_out_cost=leave_out_cost)

    kind = random.random()
    if kind < 0.57:
        base = 300 if random.random() < 0.43 else 1000
        overdue = int(random.integers(1, 20)) if random.random() < 0.25 else 0
        return within(4, 9, round(base * (1 + 0.03 * overdue)))
    if kind < 0.83:
        return within(2, 3, 3000)
    if kind < 0.9:
        return within(1, 3, 8000)
    # many are waiting when the plan is made
    first_day = 0 if random.random() < 0.3 else int(random.integers(days))
    answer = int(random.choice(CALLBACK_HOURS))
    return _Due(first_day=first_day, days=days, leave_out_cost=8000, answer_hours=answer)


def _skills(of_somebody: list[str], random: np.random.Generator) -> frozenset[str]:
    """Draw the common skill, or one or two of the rarer ones that somebody has together."""
    kind = random.random()
    if kind < 0.56:
        return frozenset(SKILLS[:1])
    rare = [skill for skill in of_somebody if skill != SKILLS[0]]
    return frozenset(map(str, random.choice(rare, 1 if kind < 0.93 else 2, replace=False)))


def _visit(
    name: str,
    place: int,
    hours: tuple[tuple[int, int], ...],
    open_days: list[int],
    days: int,
    skills: frozenset[str],
    random: np.random.Generator,
) -> Visit:
    """Invent a visit at a site that lets people in at some hours of some days."""
    longest = max(closes - opens for opens, closes in hours)
    minutes = min(int(random.choice(MINUTES, p=MINUTES_SHARES)), longest)
    windows: list[tuple[int, int]] = []
    while not windows:  # drawn again where the site is closed all the time
        due = _due(days, random)
        earliest, latest = due.first_day * DAY, (due.first_day + due.days) * DAY
        if due.answer_hours is not None:
            earliest += KNOWN_FROM
            latest = earliest + due.answer_hours * 60
        for day in open_days:
            for opens, closes in hours:
                first = max(day * DAY + opens, earliest)
                last = min(day * DAY + closes - minutes, latest)
                if first <= last:
                    windows.append((first, last))
    return Visit(
        id=name,
        place=place,
        minutes=minutes,
        skills=skills,
        start_windows=tuple(windows),
        leave_out_cost=due.leave_out_cost,
    )


def _with_pins(problem: Problem, random: np.random.Generator) -> Problem:
    """Promise about one visit in twelve, at most one to a shift, at a quarter of an hour."""
    visits = list(problem.visits)
    taken: set[str] = set()
    for at in random.choice(len(visits), len(visits) // 12, replace=False):
        visit = visits[at]
        for number in random.permutation(len(problem.shifts)):
            shift = problem.shifts[number]
            if shift.id in taken or not visit.skills <= shift.skills:
                continue
            quarters = [
                quarter
                for first, last in visit.start_windows
                for quarter in range(-(-first // QUARTER) * QUARTER, last + 1, QUARTER)
                if shift.start <= quarter < shift.end
            ]
            if not quarters:
                continue
            pin = Pin(shift=shift.id, start=int(random.choice(quarters)))
            pinned = replace(visit, pinned=pin)
            if timetable(problem, shift, [pinned]) is not None:
                taken.add(shift.id)
                visits[at] = pinned
                break
    return replace(problem, visits=tuple(visits))


def main() -> None:
    """Write one problem file."""
    parser = argparse.ArgumentParser(description="Invent a multi-day crew problem.")
    parser.add_argument("--size", choices=SIZES, required=True)
    parser.add_argument("--seed", type=int, required=True)
    parser.add_argument("--out", type=Path, required=True)
    options = parser.parse_args()
    write_problem(crew_problem(SIZES[options.size], options.seed), options.out)


if __name__ == "__main__":
    main()
