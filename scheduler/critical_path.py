"""When each activity of a small network starts, with one pair of hands to do the work.

Activities that need hands are done one at a time; waiting (a boiler cooling down) runs by itself
beside them. Among the activities that could start at one place, the one with the longest tail of
work behind it goes first: list scheduling by critical path, which for release times and tails on
one machine is Schrage's rule (J. Carlier, "The one-machine sequencing problem", European Journal of
Operational Research 11, 1982).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from heapq import heappop, heappush

from scheduler.errors import InvalidInput


@dataclass(frozen=True, slots=True, kw_only=True)
class Activity:
    """One activity of a network.

    Attributes
    ----------
    length : how long it takes, a whole number in the caller's unit.
    after : indices of the activities that must have ended; all of them come earlier in the list.
    hands : whether it occupies the one pair of hands.
    at_once : goes before anything else that could start, however short its tail.
    place : where it is done; None for anywhere.
    """

    length: int
    after: tuple[int, ...] = ()
    hands: bool = True
    at_once: bool = False
    place: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Timetable:
    """Starts and ends of the activities, in the order they were given.

    ``held_by[i]`` is the activity whose end is the start of ``i``: the last of those it comes
    after, or the one that had the hands until then; None for one that starts at zero.
    """

    starts: tuple[int, ...]
    ends: tuple[int, ...]
    held_by: tuple[int | None, ...]

    @property
    def length(self) -> int:
        """When everything is done."""
        return max(self.ends, default=0)

    def critical_chain(self) -> tuple[int, ...]:
        """Return the activities, in order of time, that follow without a gap up to the end."""
        if not self.ends:
            return ()
        current: int | None = self.ends.index(self.length)
        chain = []
        while current is not None:
            chain.append(current)
            current = self.held_by[current]
        return tuple(reversed(chain))


def longest_tails(activities: Sequence[Activity]) -> list[int]:
    """Return for each activity the longest chain of lengths from its start to the end of all.

    Raises
    ------
    InvalidInput
        When an activity is to come after one that is not earlier in the list.
    """
    behind = [0] * len(activities)
    tails = [0] * len(activities)
    for index in range(len(activities) - 1, -1, -1):
        activity = activities[index]
        tails[index] = activity.length + behind[index]
        for before in activity.after:
            if not 0 <= before < index:
                raise InvalidInput(f"activity {index} cannot come after activity {before}")
            behind[before] = max(behind[before], tails[index])
    return tails


def with_one_pair_of_hands(activities: Sequence[Activity]) -> Timetable:
    """Return a timetable in which no two activities that need hands overlap.

    Whatever can be done at the present place goes first, but where a wait has just ended the longer
    tail decides whether to go back there; what can be done anywhere is kept for when nothing else
    can be done. Deterministic: ties go to the activity that comes first in the list.

    Raises
    ------
    InvalidInput
        When an activity is to come after one that is not earlier in the list.
    """
    tails = longest_tails(activities)
    count = len(activities)
    starts, ends = [0] * count, [0] * count
    held_by: list[int | None] = [None] * count
    missing = [0] * count
    followers: list[list[int]] = [[] for _ in activities]
    for index, activity in enumerate(activities):
        for before in set(activity.after):
            followers[before].append(index)
            missing[index] += 1

    # When the last activity it comes after has ended, and then which one goes first.
    coming = [(0, index) for index in range(count) if missing[index] == 0]
    # What could start now, by place: what goes at once first, then the longest tail.
    ready: dict[str | None, list[tuple[bool, int, int]]] = {}
    place: str | None = None
    wait_over: set[str | None] = set()
    hands_free = 0
    last_in_hands: int | None = None

    def start(index: int, at: int) -> None:
        starts[index] = at
        ends[index] = end = at + activities[index].length
        for follower in followers[index]:
            missing[follower] -= 1
            holder = held_by[follower]
            if holder is None or ends[holder] <= end:
                held_by[follower] = holder = index
            if missing[follower] == 0:
                heappush(coming, (ends[holder], follower))

    def how_pressing(at: str | None) -> tuple[bool, int, int, int]:
        """Order of the places by what comes first there."""
        later, minus_tail, index = ready[at][0]
        if at is None:
            return (later, 2, minus_tail, index)
        here = at == place or (later and at in wait_over)
        return (later, 0 if here else 1, minus_tail, index)

    while coming or ready:
        if not ready:
            hands_free = max(hands_free, coming[0][0])
        while coming and coming[0][0] <= hands_free:
            released, index = heappop(coming)
            activity = activities[index]
            if not activity.hands:
                start(index, released)
                continue
            entry = (not activity.at_once, -tails[index], index)
            heappush(ready.setdefault(activity.place, []), entry)
            holder = held_by[index]
            if holder is not None and not activities[holder].hands:
                wait_over.add(activity.place)
        if ready:
            at = next(iter(ready)) if len(ready) == 1 else min(ready, key=how_pressing)
            index = heappop(ready[at])[2]
            if not ready[at]:
                del ready[at]
            holder = held_by[index]
            if last_in_hands is not None and (holder is None or ends[holder] < hands_free):
                held_by[index] = last_in_hands
            start(index, hands_free)
            hands_free, last_in_hands = ends[index], index
            place = at or place
            wait_over.discard(place)
    return Timetable(starts=tuple(starts), ends=tuple(ends), held_by=tuple(held_by))
