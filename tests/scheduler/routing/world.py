"""A world of four places and two shifts, small enough to be planned by hand.

Travel in minutes, from the row to the column; Fell is reached faster than it is left:

             home  mill  quay  fell
    home        0    10    20    30
    mill       12     0     5    25
    quay       18     7     0    15
    fell       40    25    14     0

Ann works from minute 480 to 720 and takes a break of 30 minutes between 560 and 660. Bo works
from 480 to 600 without a break. Both start and end at home; only Ann may work on gas.
"""

from datetime import UTC, datetime

import numpy as np

from scheduler.routing.plan import BreakTaken, Cost, LeftOut, Plan, Stop
from scheduler.routing.problem import Pause, Place, Problem, Shift, Visit

HOME, MILL, QUAY, FELL = range(4)

ANN = Shift(
    id="ann/mon",
    technician="ann",
    start_place=HOME,
    end_place=HOME,
    start=480,
    end=720,
    skills=frozenset({"gas"}),
    pause=Pause(minutes=30, earliest=560, latest=660),
)
BO = Shift(id="bo/mon", technician="bo", start_place=HOME, end_place=HOME, start=480, end=600)
VALVES = Visit(
    id="valves",
    place=MILL,
    minutes=60,
    start_windows=((480, 540), (600, 700)),
    leave_out_cost=300,
)
BURNER = Visit(
    id="burner",
    place=QUAY,
    minutes=45,
    skills=frozenset({"gas"}),
    start_windows=((480, 720),),
    leave_out_cost=200,
)
PROBE = Visit(
    id="probe",
    place=FELL,
    minutes=20,
    start_windows=((500, 560),),
    leave_out_cost=100,
    shift_costs={"bo/mon": 7},
)


def world(*visits: Visit, shifts: tuple[Shift, ...] = (ANN, BO)) -> Problem:
    """Return the problem with the given visits, or with all three."""
    return Problem(
        minute_zero=datetime(2027, 3, 1, tzinfo=UTC),
        places=(
            Place(id="home", lat=54.1, lon=-3.2),
            Place(id="mill"),
            Place(id="quay"),
            Place(id="fell"),
        ),
        travel_minutes=np.array(
            [[0, 10, 20, 30], [12, 0, 5, 25], [18, 7, 0, 15], [40, 25, 14, 0]], dtype=np.int32
        ),
        shifts=shifts,
        visits=visits or (VALVES, BURNER, PROBE),
    )


# Ann: leaves at 480, valves 490-550, on to quay by 555, break 560-590, burner 590-635, home 653:
# 10 + 5 + 18 = 33 minutes. Bo: leaves at 480, probe 510-530, home 570: 30 + 40 = 70 minutes and
# 7 for the shift. In all 33 + 70 + 7 = 110.
GOOD_PLAN = Plan(
    stops=(
        Stop(visit="valves", shift="ann/mon", start=490),
        Stop(visit="burner", shift="ann/mon", start=590),
        Stop(visit="probe", shift="bo/mon", start=510),
    ),
    breaks=(BreakTaken(shift="ann/mon", start=560),),
    left_out=(),
    cost=Cost(travel=103, shift_costs=7, left_out=0, total=110),
)

# Leaving the probe out costs 100 instead of 77: 33 + 100 = 133.
WITHOUT_PROBE = Plan(
    stops=GOOD_PLAN.stops[:2],
    breaks=GOOD_PLAN.breaks,
    left_out=(LeftOut(visit="probe"),),
    cost=Cost(travel=33, shift_costs=0, left_out=100, total=133),
)
