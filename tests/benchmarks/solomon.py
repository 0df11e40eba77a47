"""The planner on the classical problems of routes with time windows and loads.

    python -m tests.benchmarks.solomon FOLDER --seconds 60 --seeds 3

The folder holds instances in the published layout (`R101.txt`, `C1_2_5.txt` and so on): name,
VEHICLE with number and capacity, CUSTOMER with number, place, demand, ready time, due date and
service time, the depot first. Source: M. M. Solomon, "Algorithms for the Vehicle Routing and
Scheduling Problems with Time Window Constraints", Operations Research 35 (1987) 254-265; the
larger ones by H. Gehring and J. Homberger (1999).

What is driven is counted as in the proofs of optimality: Euclidean distances cut after the first
decimal, the number of vehicles free. A load is to the planner a part of which the van carries so
many, and leaving a customer out costs more than any journey. Sound answers are driven once more by
a few lines here that share nothing with the planner.
"""

import argparse
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from statistics import mean

import numpy as np

from scheduler.routing.checker import check
from scheduler.routing.engine import Seconds, solve
from scheduler.routing.params import Params
from scheduler.routing.parts import Place, Shift, Visit
from scheduler.routing.plan import Plan
from scheduler.routing.problem import Problem

TENTHS = 10
LEAVE_OUT = 100_000
LOAD = "load"

BEST_KNOWN = {"R101": 1637.7, "RC208": 776.1, "C1_2_5": 2694.9, "R1_2_2": 3919.9}
"""By the rules above, proven optimal for those of a hundred customers. From memory."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Customer:
    """A line of an instance, the depot being the first; its window is for beginning."""

    x: float
    y: float
    demand: int
    ready: int
    due: int
    service: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Instance:
    """One published problem."""

    name: str
    vehicles: int
    capacity: int
    customers: tuple[Customer, ...]

    def travel(self, origin: int, target: int) -> int:
        """Tenths of a unit between two places, what is less cut off."""
        here, there = self.customers[origin], self.customers[target]
        return math.floor(TENTHS * math.hypot(here.x - there.x, here.y - there.y))


def read_instance(path: Path) -> Instance:
    """Read a published file.

    Raises
    ------
    ValueError
        A line has not the seven columns of the format.
    """
    rows = [line.split() for line in path.read_text(encoding="utf-8").splitlines()]
    numbers = [[float(cell) for cell in row] for row in rows if row and row[0].isdigit()]
    (vehicles, capacity), *table = numbers
    customers = []
    for _, x, y, demand, ready, due, service in table:
        customers.append(
            Customer(
                x=x,
                y=y,
                demand=int(demand),
                ready=int(ready),
                due=int(due),
                service=int(service),
            )
        )
    return Instance(
        name=path.stem,
        vehicles=int(vehicles),
        capacity=int(capacity),
        customers=tuple(customers),
    )


def problem_of(instance: Instance) -> Problem:
    """Put an instance into the planner's terms; a tenth of a unit is its minute."""
    everyone = range(len(instance.customers))
    depot = instance.customers[0]
    shifts = tuple(
        Shift(
            id=str(number),
            technician=str(number),
            start_place=0,
            end_place=0,
            start=TENTHS * depot.ready,
            end=TENTHS * depot.due,
            parts={LOAD: instance.capacity},
        )
        for number in range(instance.vehicles)
    )
    visits = tuple(
        Visit(
            id=str(number),
            place=number,
            minutes=TENTHS * customer.service,
            start_windows=((TENTHS * customer.ready, TENTHS * customer.due),),
            leave_out_cost=LEAVE_OUT,
            parts={LOAD: customer.demand},
        )
        for number, customer in enumerate(instance.customers)
        if number
    )
    return Problem(
        minute_zero=datetime(2027, 3, 1, tzinfo=UTC),
        places=tuple(Place(id=str(number)) for number in everyone),
        travel_minutes=np.array(
            [[instance.travel(here, there) for there in everyone] for here in everyone],
            dtype=np.int32,
        ),
        shifts=shifts,
        visits=visits,
    )


def rounds_of(plan: Plan) -> dict[str, list[int]]:
    """Vehicle to the customers it drives to, in order."""
    rounds: dict[str, list[int]] = {}
    for stop in sorted(plan.stops, key=lambda stop: stop.start):
        rounds.setdefault(stop.shift, []).append(int(stop.visit))
    return rounds


def driven(instance: Instance, rounds: Mapping[str, Sequence[int]]) -> float:
    """Drive the rounds: the distance of all, in the units of the instance.

    Raises
    ------
    ValueError
        Somebody is not served once or in time, or by a vehicle that is too full.
    """
    served = sorted(number for customers in rounds.values() for number in customers)
    if served != list(range(1, len(instance.customers))) or len(rounds) > instance.vehicles:
        raise ValueError(f"{instance.name}: not every customer is served once")
    distance = 0
    for customers in rounds.values():
        if sum(instance.customers[number].demand for number in customers) > instance.capacity:
            raise ValueError(f"{instance.name}: a vehicle is too full")
        here, clock = 0, TENTHS * instance.customers[0].ready
        for there in [*customers, 0]:
            customer = instance.customers[there]
            distance += instance.travel(here, there)
            clock = max(clock + instance.travel(here, there), TENTHS * customer.ready)
            if clock > TENTHS * customer.due:
                raise ValueError(f"{instance.name}: {there} is served late")
            here, clock = there, clock + TENTHS * customer.service
    return distance / TENTHS


def main() -> None:
    """Solve the instances of a folder and print how far they are from the best known."""
    parser = argparse.ArgumentParser(description="Solve published routes with time windows.")
    parser.add_argument("folder", type=Path)
    parser.add_argument("--seconds", type=float, default=60)
    parser.add_argument("--seeds", type=int, default=3)
    options = parser.parse_args()
    params = Params(hottest=20.0 * TENTHS, hottest_when_crowded=150.0 * TENTHS, coldest=TENTHS)
    print("| instance | vehicles | distance, each seed | best known | mean gap |")
    print("|---|---:|---:|---:|---:|")
    for path in sorted(options.folder.glob("*.txt")):
        instance = read_instance(path)
        problem = problem_of(instance)
        distances, vehicles = [], []
        for seed in range(1, options.seeds + 1):
            plan = solve(problem, stop=Seconds(options.seconds), seed=seed, params=params)
            violations = check(problem, plan)
            if violations:
                raise AssertionError(f"{instance.name}: {violations[0].detail}")
            rounds = rounds_of(plan)
            served = len(plan.left_out) == 0
            distances.append(driven(instance, rounds) if served else math.inf)
            vehicles.append(len(rounds))
        best = BEST_KNOWN.get(instance.name)
        gap = "" if best is None else f"{mean(distances) / best - 1:+.2%}"
        print(
            f"| {instance.name} | {min(vehicles)} | {', '.join(map(str, distances))} "
            f"| {best or ''} | {gap} |",
            flush=True,
        )


if __name__ == "__main__":
    main()
