"""What it is worth to make a visit, to make it on time and to leave the calendar as it is.

The unit is the planner's only one: minutes of travel equivalent. A visit whose leave-out cost is
90 is worth a detour of an hour and a half, no more.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Self

from scheduler.company import Urgency


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanningWeights:
    """The planner's exchange rates, each >= 0.

    Attributes
    ----------
    leave_out_can_wait : upkeep whose latest day lies beyond the horizon: another plan will see it.
    leave_out_due : upkeep whose latest day lies inside the horizon.
    leave_out_hard : work whose latest day is set by law or by the maker and lies inside.
    leave_out_callback : a breakdown call, by urgency.
    overdue_per_day : added to the leave-out cost for each day past the latest, at most 60 days.
    early_per_day : life thrown away by coming a day before the target.
    late_per_day : risk taken by coming a day after the target, up to the latest.
    past_latest_per_day : the same beyond the latest day.
    callback_per_day : a callback answered a working day later than the first day it could be.
    withdraw : added to the leave-out cost of a visit that has a published appointment.
    perhaps_away : a visit in a shift through all of which its technician may be away; in
        proportion for a part of it.
    change_day, change_technician : a published appointment that moves to another day, or to
        another technician; nobody has promised it to the client, yet people have read it.
    balance : one working hour of a day, squared: an hour from a day of eight hours to one of five
        is worth four times that, a few minutes of driving; nobody likes to see others home at noon.
    stiffness : by how much dearer such changes are where a plan is only repaired: the day is under
        way or near, and whoever asks for a repair wants to make few telephone calls.
    """

    leave_out_can_wait: int = 90
    leave_out_due: int = 600
    leave_out_hard: int = 3_000
    leave_out_callback: Mapping[Urgency, int] = field(
        default_factory=lambda: {
            Urgency.DANGER: 40_000,
            Urgency.STOPPED: 20_000,
            Urgency.IMPAIRED: 8_000,
            Urgency.MINOR: 3_000,
        }
    )
    overdue_per_day: int = 10
    early_per_day: int = 1
    late_per_day: int = 3
    past_latest_per_day: int = 15
    callback_per_day: int = 240
    withdraw: int = 120
    perhaps_away: int = 60
    change_day: int = 25
    change_technician: int = 15
    balance: int = 1
    stiffness: int = 2

    def for_repair(self) -> Self:
        """Return the weights for a plan that is to change as little as is sensible."""
        return replace(
            self,
            change_day=self.change_day * self.stiffness,
            change_technician=self.change_technician * self.stiffness,
        )
