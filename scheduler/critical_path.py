"""When each activity of a small network starts, with one pair of hands to do the work.

Activities that need hands are done one at a time; waiting (a boiler cooling down) runs by itself
beside them. Among the activities that could start, the one with the longest tail of work behind it
goes first: list scheduling by critical path, which for release times and tails on one machine is
Schrage's rule (J. Carlier, "The one-machine sequencing problem", European Journal of Operational
Research 11, 1982).
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


def shortest_timetable(activities: Sequence[Activity], *, worth_moving: int = 0) -> Timetable:
    """Return the shorter of two timetables: going where the longest tail is, or staying in place.

    The staying one changes place less often; the other has to be shorter by more than
    ``worth_moving``.

    Raises
    ------
    InvalidInput
        When an activity is to come after one that is not earlier in the list.
    """
    staying = with_one_pair_of_hands(activities, stay=True)
    if len({activity.place for activity in activities if activity.place is not None}) < 2:
        return staying
    hands_on = sum(activity.length for activity in activities if activity.hands)
    at_least = max(hands_on, max(longest_tails(activities)))
    if staying.length <= at_least + worth_moving:
        return staying
    moving = with_one_pair_of_hands(activities)
    return moving if moving.length + worth_moving < staying.length else staying


def with_one_pair_of_hands(activities: Sequence[Activity], *, stay: bool = False) -> Timetable:
    """Return a timetable in which no two activities that need hands overlap.

    With ``stay`` whatever can be done at the present place goes first, and a place where something
    has been begun before a new one. Deterministic: ties go to the activity that comes first in the
    list.

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
    ready: list[int] = []

    def start(index: int, at: int) -> None:
        starts[index], ends[index] = at, at + activities[index].length
        for follower in followers[index]:
            missing[follower] -= 1
            holder = held_by[follower]
            if holder is None or ends[holder] <= ends[index]:
                held_by[follower] = index
            if missing[follower] == 0:
                heappush(coming, (max(ends[b] for b in activities[follower].after), follower))

    def how_pressing(index: int) -> tuple[bool, int, int, int]:
        """Order of the activities that could start now, the one to start first of all."""
        activity = activities[index]
        apart = 0
        if (stay or activity.at_once) and place is not None and activity.place != place:
            apart = 1 if activity.place in begun else 2
        return (not activity.at_once, apart, -tails[index], index)

    place: str | None = None
    begun: set[str | None] = set()
    hands_free = 0
    last_in_hands: int | None = None
    while coming or ready:
        if not ready:
            hands_free = max(hands_free, coming[0][0])
        while coming and coming[0][0] <= hands_free:
            released, index = heappop(coming)
            if activities[index].hands:
                ready.append(index)
            else:
                start(index, released)
        if ready:
            index = min(ready, key=how_pressing)
            ready.remove(index)
            holder = held_by[index]
            if last_in_hands is not None and (holder is None or ends[holder] < hands_free):
                held_by[index] = last_in_hands
            start(index, hands_free)
            hands_free, last_in_hands = ends[index], index
            place = activities[index].place or place
            begun.add(place)
    return Timetable(starts=tuple(starts), ends=tuple(ends), held_by=tuple(held_by))
