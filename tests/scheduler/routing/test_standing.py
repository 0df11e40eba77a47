"""What is booked, as a problem in which nothing moves."""

from datetime import UTC, datetime, timedelta

import numpy as np

from scheduler.places import Coordinates
from scheduler.routing.parts import Place, Shift, Visit
from scheduler.routing.plan import Stop
from scheduler.routing.problem import Problem
from scheduler.routing.standing import Booked, standing_still
from scheduler.travel import StraightLineTravel

ZERO = datetime(2027, 3, 1, tzinfo=UTC)
HOME, CAFE = Coordinates(lat=54.0, lon=-3.0), Coordinates(lat=54.1, lon=-3.0)


def booked(name: str, start: int, minutes: int, technician: str = "ann") -> Booked:
    return Booked(
        id=name,
        technician=technician,
        at=CAFE,
        starts_at=ZERO + timedelta(minutes=start),
        ends_at=ZERO + timedelta(minutes=start + minutes),
    )


def test_what_is_booked_stands_at_its_minute_and_the_rest_is_left_away() -> None:
    morning = Shift(id="ann/am", technician="ann", start_place=0, end_place=0, start=480, end=720)
    afternoon = Shift(id="ann/pm", technician="ann", start_place=0, end_place=0, start=780, end=960)
    problem = Problem(
        minute_zero=ZERO,
        places=(Place(id="p0", lat=HOME.lat, lon=HOME.lon),),
        travel_minutes=np.zeros((1, 1), dtype=np.int32),
        shifts=(morning, afternoon),
        visits=(
            Visit(id="wanted", place=0, minutes=5, start_windows=((480, 500),), leave_out_cost=1),
        ),
    )
    still, plan = standing_still(
        problem,
        [
            booked("one", 500, 60),
            booked("two", 800, 30),
            booked("evening", 1100, 30),  # touches no shift
            booked("hers", 500, 60, technician="bea"),  # not of this problem
            booked("late", 700, 90),  # begins in the morning, ends in the afternoon
        ],
        StraightLineTravel(),
    )
    assert plan.stops == (
        Stop(visit="one", shift="ann/am", start=500),
        Stop(visit="two", shift="ann/pm", start=800),
        Stop(visit="late", shift="ann/am", start=700),
    )
    assert [(v.id, v.place, v.minutes, v.start_windows) for v in still.visits] == [
        ("one", 1, 60, ((500, 500),)),
        ("two", 1, 30, ((800, 800),)),
        ("late", 1, 90, ((700, 700),)),
    ]
    assert still.shifts == problem.shifts
    # 11.1 km of great circle, 14.5 by road: 4 km at 28 and 10.5 at 45 km/h, 4 minutes to park:
    # 8.6 + 13.9 + 4 = 26.5, so 27
    assert still.travel_minutes.tolist() == [[0, 27], [27, 0]]


def test_seconds_are_given_to_the_visit() -> None:
    shift = Shift(id="s", technician="ann", start_place=0, end_place=0, start=480, end=720)
    problem = Problem(
        minute_zero=ZERO,
        places=(Place(id="p0", lat=HOME.lat, lon=HOME.lon),),
        travel_minutes=np.zeros((1, 1), dtype=np.int32),
        shifts=(shift,),
        visits=(),
    )
    second = timedelta(seconds=1)
    odd = Booked(
        id="odd",
        technician="ann",
        at=HOME,
        starts_at=ZERO + timedelta(minutes=500) + second,
        ends_at=ZERO + timedelta(minutes=530) + second,
    )
    still, plan = standing_still(problem, [odd], StraightLineTravel())
    assert plan.stops[0].start == 500
    assert (
        still.visits[0].minutes == 31
    )  # from 08:20:00 to 08:51:00, so that nothing comes too soon
