"""Invented multi-day crew problems, the same for the same size and seed.

    python -m tests.benchmarks.crew --size M --seed 7 --out M7.json.gz

A region of 60 by 60 km with towns of different sizes. Technicians work five or ten days of eight
and a half hours with a floating break of half an hour, start from home and have some of six
skills; the first is common, the others rarer. Sites open once or twice a day; a visit is due
within one to four days or any time. Some visits are pinned.
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
    """How much there is of everything, in a square region."""

    technicians: int
    days: int
    visits: int
    towns: int
    region_km: float = REGION_KM


TravelBetween = Callable[[np.ndarray, np.random.Generator], np.ndarray]


SIZES = {
    "S": Size(technicians=5, days=5, visits=80, towns=6),
    "M": Size(technicians=15, days=10, visits=500, towns=12),
    "L": Size(technicians=60, days=10, visits=2500, towns=25),
}

OPENING_HOURS = (
    ((6 * 60, 18 * 60),),  # all day
    ((6 * 60, 11 * 60),),  # a bakery: mornings
    ((13 * 60, 17 * 60),),  # a bar: before it fills
    ((9 * 60, 10 * 60 + 30), (14 * 60, 16 * 60)),  # an office: between the rushes
    ((5 * 60, 6 * 60 + 30), (14 * 60 + 30, 18 * 60)),  # a hotel: outside breakfast and lunch
)


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
    towns = random.uniform(5, size.region_km - 5, (size.towns, 2))
    weights = random.pareto(1.5, size.towns) + 0.3
    n_sites = int(size.visits * 0.75)

    def somewhere(count: int, spread_km: float) -> np.ndarray:
        chosen = random.choice(size.towns, count, p=weights / weights.sum())
        return np.clip(towns[chosen] + random.normal(0, spread_km, (count, 2)), 0, size.region_km)

    spots = np.concatenate([somewhere(size.technicians, 6), somewhere(n_sites, 3)])
    minutes = (travel or travel_minutes)(spots, random)
    shifts = tuple(
        shift for technician in range(size.technicians) for shift in _week(technician, size, random)
    )
    hours = random.choice(len(OPENING_HOURS), n_sites, p=(0.45, 0.15, 0.15, 0.15, 0.1))
    visits = tuple(
        _visit(number, size.technicians, hours, size.days, random) for number in range(size.visits)
    )
    problem = Problem(
        minute_zero=datetime(2027, 3, 1, tzinfo=UTC),
        places=tuple(Place(id=f"p{number}") for number in range(len(spots))),
        travel_minutes=minutes,
        shifts=shifts,
        visits=visits,
    )
    return _with_pins(problem, random)


def travel_minutes(spots: np.ndarray, random: np.random.Generator) -> np.ndarray:
    """Whole minutes between spots in km: detours of roads, slow starts, a little asymmetry."""
    crow_km = np.linalg.norm(spots[:, None] - spots[None, :], axis=2)
    speed_kmh = 25 + 45 * crow_km / (crow_km + 12)
    minutes = 1.3 * crow_km / speed_kmh * 60 + 2
    minutes *= random.uniform(0.97, 1.05, minutes.shape)
    np.fill_diagonal(minutes, 0)
    return np.ceil(minutes).astype(np.int32)


def _week(technician: int, size: Size, random: np.random.Generator) -> list[Shift]:
    rare = [skill for skill in SKILLS[1:] if random.random() < 0.5]
    begins = int(random.choice((7 * 60, 7 * 60 + 30, 8 * 60)))
    return [
        Shift(
            id=f"t{technician}/d{day}",
            technician=f"t{technician}",
            start_place=technician,
            end_place=technician,
            start=day * DAY + begins,
            end=day * DAY + begins + 510,
            skills=frozenset({SKILLS[0], *rare}),
            pause=Pause(minutes=30, earliest=day * DAY + 11 * 60 + 30, latest=day * DAY + 14 * 60),
        )
        for day in range(size.days)
        if random.random() < 0.95
    ]


def _visit(
    number: int, technicians: int, hours: np.ndarray, days: int, random: np.random.Generator
) -> Visit:
    site = int(random.integers(len(hours)))
    minutes = int(random.choice((30, 45, 60, 60, 90, 120, 150)))
    first_day = int(random.integers(days))
    due_in = int(random.choice((1, 2, 4, days)))
    windows = [
        (day * DAY + opens, day * DAY + max(closes - minutes, opens))
        for day in range(first_day, min(first_day + due_in, days))
        for opens, closes in OPENING_HOURS[hours[site]]
    ]
    skills = {SKILLS[0]} if random.random() < 0.55 else {str(random.choice(SKILLS[1:]))}
    if random.random() < 0.08:
        skills.add(str(random.choice(SKILLS[1:])))
    urgent = 10 if due_in == 1 else 1
    return Visit(
        id=f"v{number}",
        place=technicians + site,
        minutes=minutes,
        skills=frozenset(skills),
        start_windows=tuple(windows),
        leave_out_cost=int(random.choice((300, 500, 1000))) * urgent,
    )


def _with_pins(problem: Problem, random: np.random.Generator) -> Problem:
    """Pin about one visit in twelve, at most one to a shift, where it would be if alone."""
    visits = list(problem.visits)
    taken: set[str] = set()
    for at in random.choice(len(visits), len(visits) // 12, replace=False):
        for number in random.permutation(len(problem.shifts)):
            shift = problem.shifts[number]
            if shift.id in taken or not visits[at].skills <= shift.skills:
                continue
            alone = timetable(problem, shift, [visits[at]])
            if alone is not None:
                taken.add(shift.id)
                pin = Pin(shift=shift.id, start=alone.starts[0])
                visits[at] = replace(visits[at], pinned=pin)
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
