"""How many people it takes to answer the telephone soon enough.

A. K. Erlang's second formula (1917): callers come by chance, wait in one line and do not give up;
conversations last about exponentially. Callers who do give up make the true waits shorter.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp

from scheduler.errors import InvalidInput

_MOST_PEOPLE = 1000


def waits(people: int, load: float) -> float:
    """Return the share of callers who have to wait.

    Parameters
    ----------
    people
        Who answer, > load.
    load
        Conversations going on at a time on average (erlangs): calls an hour times hours each.
    """
    if not 0 <= load < people:
        raise InvalidInput(f"a load of {load:g} needs more than {load:g} people, got {people}")
    blocked = 1.0  # by Erlang's first formula, one person more at a time
    for n in range(1, people + 1):
        blocked = load * blocked / (n + load * blocked)
    return people * blocked / (people - load * (1 - blocked))


@dataclass(frozen=True, slots=True, kw_only=True)
class TelephoneStaffing:
    """How the telephone is answered by so many people.

    ``waiting_share`` have to wait at all, ``mean_wait_seconds`` over all callers;
    ``answered_in_time`` is the share answered ``within_seconds``, ``busy_share`` how much
    of their time people talk.
    """

    people: int
    within_seconds: float
    waiting_share: float
    mean_wait_seconds: float
    answered_in_time: float
    busy_share: float

    @property
    def because(self) -> str:
        """The figures in one sentence."""
        return (
            f"With {self.people} at the telephone {self.answered_in_time:.1%} are answered within "
            f"{self.within_seconds:g} s, {self.waiting_share:.0%} wait at all, "
            f"{self.mean_wait_seconds:.0f} s on average over all; "
            f"each talks {self.busy_share:.0%} of the time."
        )


def staffing(
    people: int, *, calls_per_hour: float, minutes_per_call: float, within_seconds: float
) -> TelephoneStaffing:
    """Return how a number of people answer the telephone.

    Parameters
    ----------
    calls_per_hour
        In the busiest hour, > 0.
    minutes_per_call
        Talking and writing down, > 0.
    within_seconds
        Until a caller should be answered, >= 0.

    Raises
    ------
    InvalidInput
        Also when the people cannot keep up, however long callers wait.
    """
    load = _load(calls_per_hour, minutes_per_call, within_seconds)
    waiting = waits(people, load)
    spare = people - load
    seconds = 60 * minutes_per_call
    return TelephoneStaffing(
        people=people,
        within_seconds=within_seconds,
        waiting_share=waiting,
        mean_wait_seconds=waiting * seconds / spare,
        answered_in_time=1 - waiting * exp(-spare * within_seconds / seconds),
        busy_share=load / people,
    )


def fewest_people(
    *, calls_per_hour: float, minutes_per_call: float, within_seconds: float, share: float
) -> TelephoneStaffing:
    """Return the fewest people who answer a share of callers in time.

    Parameters
    ----------
    share
        From 0 to below 1, such as 0.8.
    """
    if not 0 <= share < 1:
        raise InvalidInput(f"share must be from 0 to below 1, got {share}")
    load = _load(calls_per_hour, minutes_per_call, within_seconds)
    for people in range(int(load) + 1, _MOST_PEOPLE + 1):
        found = staffing(
            people,
            calls_per_hour=calls_per_hour,
            minutes_per_call=minutes_per_call,
            within_seconds=within_seconds,
        )
        if found.answered_in_time >= share:
            return found
    raise InvalidInput(f"more than {_MOST_PEOPLE} people would be needed: check the figures")


def _load(calls_per_hour: float, minutes_per_call: float, within_seconds: float) -> float:
    if not (calls_per_hour > 0 and minutes_per_call > 0 and within_seconds >= 0):
        raise InvalidInput(
            "calls_per_hour and minutes_per_call must be > 0, within_seconds >= 0, "
            f"got {calls_per_hour}, {minutes_per_call} and {within_seconds}"
        )
    return calls_per_hour * minutes_per_call / 60
