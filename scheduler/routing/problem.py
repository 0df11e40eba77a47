"""The planning problem: places, travel, shifts and visits, as one self-checking value.

It can be saved, mailed and re-run: that is how a fault in the planner is reported and how the
planner is measured. Times are whole minutes counted from `minute_zero`; costs are minutes of
travel equivalent. Rules every plan must keep:

* a round starts and ends at its shift's places inside [start, end];
* travel and service never overlap, and service is not interrupted;
* a used shift takes its whole break inside [earliest, latest], between two activities; it may
  split a journey, stand before the departure or after the return, but inside the shift;
* a visit takes its minutes, or those it names for the shift that makes it;
* the minutes of travel of a round stay within its shift's driving limit, where there is one;
* a visit's skills are a subset of the shift's and its start lies in one of its windows;
* a round has along the tools of each visit and the parts of all its visits so far; where its
  shift names a workshop it may call there once, on the way to a visit, and lacks nothing after;
* a visit that comes after another starts its minutes or more after the other's end, and only if
  that is made; two that are made together start in the same minute with different technicians, or
  are both left out;
* no two shifts of different technicians that overlap both make visits of one site; the halves of
  work for two may, and so may pinned visits among themselves, since they stand already. Shifts
  that only touch do not overlap: one ends before the other begins;
* a pinned visit stands exactly where it is pinned; every other may be left out at its cost.

Where a weight for balance is set, each round that works at all is charged for how far its working
minutes (travel and visits) are from its shift's `usual_minutes`: the weight times those hours
squared, rounded up. Where nothing is usual (0), the square of a long day costs more than two of
half its length, and the work spreads over all technicians and days as far as that is worth the
travel; with a usual day the days that are worked become alike and the others stay free.
"""

from dataclasses import dataclass
from datetime import UTC, datetime
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from scheduler.errors import InvalidProblem
from scheduler.routing.misfits import note_misfits
from scheduler.routing.parts import After, Pause, Pin, Place, Shift, Visit, Workshop
from scheduler.routing.reading import Flaws

__all__ = [
    "After",
    "Charge",
    "Pause",
    "Pin",
    "Place",
    "Problem",
    "Shift",
    "Visit",
    "Workshop",
]


_MINUTES_PER_HOUR_SQUARED = 3600

BALANCE_LIMIT = 10_000
"""Largest weight for balance: the charge for the longest round still fits 63 bits."""


class Charge(StrEnum):
    """What the rounds cost, whoever makes them."""

    TRAVEL = "travel"
    WORKING_TIME = "working_time"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Problem:
    """A planning problem whose parts fit each other.

    Attributes
    ----------
    minute_zero
        The instant all minutes count from; aware, kept in UTC.
    places
        Every place named by index.
    travel_minutes
        Whole minutes, shape (n_places, n_places), [from, to]; may be asymmetric. Kept as a
        read-only int32 copy.
    shifts, visits
        Ids unique in each.
    charge
        What the rounds cost: their travel, or the working time from the departure to the return,
        waiting, visits and break included.
    balance
        Minutes of travel equivalent charged for one working hour, squared, of a round; 0 to
        BALANCE_LIMIT. One hour from a day of eight hours to one of five then saves 4 times that.

    Raises
    ------
    InvalidProblem
        Lists everything that does not fit, the pinned visits that cannot all be kept included.
    """

    minute_zero: datetime
    places: tuple[Place, ...]
    travel_minutes: NDArray[np.int32]
    shifts: tuple[Shift, ...]
    visits: tuple[Visit, ...]
    charge: Charge = Charge.TRAVEL
    balance: int = 0

    def __post_init__(self) -> None:
        flaws = Flaws()
        if self.minute_zero.utcoffset() is None:
            flaws.note("minute_zero", f"must carry its offset from UTC, got {self.minute_zero}")
        if not 0 <= self.balance <= BALANCE_LIMIT:
            flaws.note("balance", f"must be from 0 to {BALANCE_LIMIT}, got {self.balance}")
        note_misfits(flaws, self.places, self.travel_minutes, self.shifts, self.visits)
        for at, shift in enumerate(self.shifts):
            if 2 * self.balance * shift.usual_minutes > _MINUTES_PER_HOUR_SQUARED:
                most = _MINUTES_PER_HOUR_SQUARED // (2 * self.balance)
                flaws.note(
                    f"shifts[{at}].usual_minutes",
                    f"must be at most {most} at a balance of {self.balance}, or driving about "
                    f"would pay on a short day; got {shift.usual_minutes}",
                )
        if len(flaws):
            raise InvalidProblem(flaws.as_tuple())
        travel = np.array(self.travel_minutes, dtype=np.int32)
        travel.flags.writeable = False
        object.__setattr__(self, "travel_minutes", travel)
        object.__setattr__(self, "minute_zero", self.minute_zero.astimezone(UTC))

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Problem):
            return NotImplemented
        return (
            self.minute_zero == other.minute_zero
            and self.places == other.places
            and np.array_equal(self.travel_minutes, other.travel_minutes)
            and self.shifts == other.shifts
            and self.visits == other.visits
            and self.charge == other.charge
            and self.balance == other.balance
        )

    def is_plain(self) -> bool:
        """Tell whether travel is charged and no visit needs tools or parts."""
        return self.charge is Charge.TRAVEL and not self.has_supplies()

    def is_linked(self) -> bool:
        """Tell whether a visit comes after another or is made together with one."""
        return any(visit.after or visit.together_with for visit in self.visits)

    def linked_visits(self) -> frozenset[str]:
        """Return the ids of the visits that come after another, or are linked to from one."""
        named = {visit.after.visit for visit in self.visits if visit.after is not None}
        named |= {visit.together_with for visit in self.visits if visit.together_with is not None}
        own = {visit.id for visit in self.visits if visit.after or visit.together_with}
        return frozenset(named | own)

    def has_supplies(self) -> bool:
        """Tell whether a visit needs tools or parts."""
        return any(visit.tools or any(visit.parts.values()) for visit in self.visits)

    def balance_cost(self, shift: Shift, working_minutes: int) -> int:
        """Return what is charged for the working minutes of a round, travel and visits."""
        apart = working_minutes - shift.usual_minutes if working_minutes else 0
        return -(-self.balance * apart * apart // _MINUTES_PER_HOUR_SQUARED)

    def journey_minutes(
        self, shift: Shift, origin: int, target: int, *, over_workshop: bool = False
    ) -> int:
        """Return the minutes between two places, by their indices, with or without the call.

        Raises
        ------
        ValueError
            The call is asked for and the shift names no workshop.
        """
        if not over_workshop:
            return int(self.travel_minutes[origin, target])
        if shift.workshop is None:
            raise ValueError(f"shift {shift.id} names no workshop")
        there = int(self.travel_minutes[origin, shift.workshop.place])
        onwards = int(self.travel_minutes[shift.workshop.place, target])
        return there + shift.workshop.minutes + onwards

    def shift_index(self) -> dict[str, int]:
        """Return each shift's position by its id."""
        return {shift.id: at for at, shift in enumerate(self.shifts)}

    def visit_index(self) -> dict[str, int]:
        """Return each visit's position by its id."""
        return {visit.id: at for at, visit in enumerate(self.visits)}
