"""How long does it take to find the times to offer, in a calendar as large as companies get?

    python -m tests.benchmarks.offers [--technicians 100] [--questions 400]

Fourteen days, forty booked stops per technician, every one held at its published time; sites
and homes are spread over a square of 60 km. Each question is another visit at another site.
Prints the median and the 99th percentile of one question from the problem to the offers, nothing
kept from one question to the next, and the same for half and twice the technicians: the cost
must grow at most linearly.
"""

import argparse
import random
import time
from datetime import UTC, date, datetime, timedelta

import numpy as np

from scheduler.offers import OfferPolicy, Question, find_offers
from scheduler.routing.plan import Cost, LeftOut, Plan, Stop
from scheduler.routing.problem import Pause, Place, Problem, Shift, Visit
from scheduler.routing.timing import timetable

DAYS = 14
SITES = 800
STOPS_PER_TECHNICIAN = 40
_DAY = 1440
_MONDAY = date(2027, 3, 1)
_SKILLS = ("electrical", "espresso", "grinder", "pressure", "water")


def calendar(technicians: int, seed: int) -> tuple[Problem, Plan, dict[str, date]]:
    """Return a published calendar: every stop where it can be kept."""
    rng = random.Random(seed)
    spots = [(rng.uniform(0, 60), rng.uniform(0, 60)) for _ in range(SITES + technicians)]
    at = np.array(spots)
    kilometres = np.sqrt(((at[:, None] - at[None]) ** 2).sum(axis=2)) * 1.3
    travel = np.ceil(kilometres / 45 * 60).astype(np.int32)
    shifts = [
        Shift(
            id=f"t{person}/d{day}",
            technician=f"t{person}",
            start_place=SITES + person,
            end_place=SITES + person,
            start=480 + day * _DAY,
            end=1020 + day * _DAY,
            skills=frozenset(rng.sample(_SKILLS, 4)),
            pause=Pause(minutes=30, earliest=690 + day * _DAY, latest=840 + day * _DAY),
        )
        for person in range(technicians)
        for day in range(DAYS)
    ]
    empty = Problem(
        minute_zero=datetime(2027, 3, 1, tzinfo=UTC),
        places=tuple(Place(id=f"p{number}") for number in range(len(spots))),
        travel_minutes=travel,
        shifts=tuple(shifts),
        visits=(),
    )
    orders: dict[str, list[Visit]] = {shift.id: [] for shift in shifts}
    booked = 0
    while booked < technicians * STOPS_PER_TECHNICIAN:
        shift = rng.choice(shifts)
        # near each other, as a planner would have them: the nearest of a few
        last = orders[shift.id][-1].place if orders[shift.id] else shift.start_place
        place = min(rng.sample(range(SITES), 8), key=lambda site: travel[last, site])
        visit = Visit(
            id=f"v{booked}",
            place=place,
            minutes=rng.choice((40, 60, 75, 90)),
            start_windows=((shift.start, shift.end),),
            leave_out_cost=600,
        )
        if timetable(empty, shift, [*orders[shift.id], visit]) is not None:
            orders[shift.id].append(visit)
            booked += 1
    stops, held = [], []
    for shift in shifts:
        if not orders[shift.id]:
            continue
        times = timetable(empty, shift, orders[shift.id])
        assert times is not None
        for visit, start in zip(orders[shift.id], times.starts, strict=True):
            stops.append(Stop(visit=visit.id, shift=shift.id, start=start))
            held.append(
                Visit(
                    id=visit.id,
                    place=visit.place,
                    minutes=visit.minutes,
                    start_windows=((start, start),),
                    leave_out_cost=600,
                    site=f"s{visit.place}",
                )
            )
    problem = Problem(
        minute_zero=empty.minute_zero,
        places=empty.places,
        travel_minutes=travel,
        shifts=empty.shifts,
        visits=tuple(held),
    )
    cost = Cost(travel=0, shift_costs=0, left_out=0, total=0)  # no question looks at it
    left_out: tuple[LeftOut, ...] = ()
    plan = Plan(stops=tuple(stops), breaks=(), left_out=left_out, cost=cost)
    days = {
        shift.id: _MONDAY + timedelta(days=int(shift.id.rpartition("d")[2])) for shift in shifts
    }
    return problem, plan, days


def questions(
    problem: Problem, plan: Plan, days: dict[str, date], count: int, seed: int
) -> list[Question]:
    """Return questions as portals ask them: an hour or two, at a site open twice a day."""
    rng = random.Random(seed)
    return [
        Question(
            problem=problem,
            plan=plan,
            visit=Visit(
                id=f"asked{number}",
                place=(place := rng.randrange(SITES)),
                site=f"s{place}",
                minutes=rng.choice((30, 60, 90, 120)),
                skills=frozenset(rng.sample(_SKILLS, 2)),
                start_windows=tuple(
                    (first + day * _DAY, last + day * _DAY)
                    for day in range(DAYS)
                    for first, last in ((480, 660), (840, 960))
                ),
                leave_out_cost=900,
            ),
            now=300,
            shift_days=days,
        )
        for number in range(count)
    ]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--technicians", type=int, default=100)
    parser.add_argument("--questions", type=int, default=400)
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    for technicians in (
        arguments.technicians // 2,
        arguments.technicians,
        arguments.technicians * 2,
    ):
        problem, plan, days = calendar(technicians, arguments.seed)
        asked = questions(problem, plan, days, arguments.questions, arguments.seed)
        policy = OfferPolicy()
        milliseconds, made = [], 0
        for question in asked:
            began = time.perf_counter()
            sheet = find_offers(question, policy)
            milliseconds.append((time.perf_counter() - began) * 1000)
            made += len(sheet.offers)
        p50, p99 = np.percentile(milliseconds, [50, 99])
        print(
            f"{technicians} technicians, {DAYS} days, {len(plan.stops)} stops: "
            f"p50 {p50:.1f} ms, p99 {p99:.1f} ms, {made / len(asked):.1f} offers a question"
        )


if __name__ == "__main__":
    main()
