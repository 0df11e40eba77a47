"""What would it cost to add one visit to rounds that stand?

Every gap of every round is tried at once. A gap knows the earliest one can be free before it
and the latest one may arrive after it, each with the break already taken and with the break
still to come, so that one visit is tested against all gaps with a few array operations.
"""

from collections import Counter
from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from scheduler.routing.problem import Problem, Visit
from scheduler.routing.round_labels import NEVER, Minutes, label_rounds


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """A round that a visit might join.

    Attributes
    ----------
    shift
        Index of its shift.
    order
        Indices of its visits in order; may be empty.
    surcharge
        What it costs to have this round instead of the one that stands, before the visit joins.
    call_before
        Position in `order` of the visit that is reached over the workshop, None without a call.
        A visit that joins on that leg is made before the call.
    """

    shift: int
    order: tuple[int, ...]
    surcharge: int = 0
    call_before: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Opening:
    """Where a visit could stand.

    Attributes
    ----------
    candidate
        The round it joins.
    position
        How many visits of the round come before it.
    extra_cost
        Added travel, shift cost and balance, with the candidate's surcharge.
    """

    candidate: Candidate
    position: int
    extra_cost: int


class Gaps:
    """The gaps of many rounds as flat arrays, one entry for each place a visit could take.

    Parameters
    ----------
    problem
        The problem.
    candidates
        The rounds to try. Each must be feasible as it stands; one that is not takes no visit.
    fetching
        Ids of the shifts on which a visit that joins needs something from the workshop. It stands
        after the call of the round then; where there is none, it is reached over the workshop.
    """

    def __init__(
        self,
        problem: Problem,
        candidates: Sequence[Candidate],
        *,
        fetching: Collection[str] = (),
    ) -> None:
        self._problem = problem
        self.candidates = tuple(candidates)
        self.labels = label_rounds(
            problem,
            [c.shift for c in self.candidates],
            [c.order for c in self.candidates],
            [c.call_before for c in self.candidates],
        )
        self.shift = self.labels.shift
        surcharges = np.array([c.surcharge for c in self.candidates], dtype=np.int64)
        used = np.array([bool(c.order) for c in self.candidates], dtype=np.bool_)
        # an unused shift costs nothing, so its first visit saves no journey home
        self._saved = np.where(used[self.labels.row], self.labels.leg, 0)
        self._surcharge = surcharges[self.labels.row]
        limits = [NEVER if s.driving_limit is None else s.driving_limit for s in problem.shifts]
        driven = self.labels.driven[self.labels.row]
        self._driving_room = np.array(limits, dtype=np.int64)[self.shift] - driven
        self._worked = driven + self.labels.served[self.labels.row]
        self._over_workshop, self._too_soon = self._fetching(fetching)
        starts = np.array([s.usual_minutes for s in problem.shifts], dtype=np.int64)
        self._usual_minutes = starts[self.shift]

    def _fetching(self, shifts: Collection[str]) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
        """Tell in which gaps a visit needs a call of its own, and which lie before the round's."""
        own, too_soon = (np.zeros(self.shift.size, dtype=np.bool_) for _ in range(2))
        firsts = self.labels.first.tolist()
        for row, candidate in enumerate(self.candidates if shifts else ()):
            if self._problem.shifts[candidate.shift].id not in shifts:
                continue
            if candidate.call_before is None:
                own[firsts[row] : firsts[row + 1]] = True
            else:
                too_soon[firsts[row] : firsts[row] + candidate.call_before + 1] = True
        return own, too_soon

    def cheapest(
        self, visit: Visit, allowed: NDArray[np.bool_], *, any_time: bool = False
    ) -> Opening | None:
        """Return the cheapest gap the visit fits in, None when there is none.

        Parameters
        ----------
        visit
            The visit to add; a pin is not heeded.
        allowed
            Shape (n_shifts,): the shifts to try. Skills, and who is at the visit's site meanwhile
            (`sites.Sites`), are the caller's business.
        any_time
            Pass over the visit's windows.
        """
        fitting = allowed[self.shift] & self.fits(visit, any_time=any_time)
        if not fitting.any():
            return None
        extra = np.where(fitting, self.extra_costs(visit), NEVER)
        at = int(np.argmin(extra))
        return self.opening(at, int(extra[at]))

    def opening(self, gap: int, extra_cost: int) -> Opening:
        """Return a gap, by its number, as the place a visit would take."""
        row = int(self.labels.row[gap])
        return Opening(
            candidate=self.candidates[row],
            position=gap - int(self.labels.first[row]),
            extra_cost=extra_cost,
        )

    def call_minutes(self, gap: int) -> int | None:
        """Return how long a visit in a gap calls at the workshop for itself, None if it does not.

        Raises
        ------
        ValueError
            The shift has to fetch something and names no workshop.
        """
        shift = self._problem.shifts[int(self.shift[gap])]
        if not self._over_workshop[gap]:
            return None
        if shift.workshop is None:
            raise ValueError(f"shift {shift.id} names no workshop")
        return shift.workshop.minutes

    def drive_to(self, gap: int, visit: Visit) -> int:
        """Return the drive to a visit in a gap, without its call on the way."""
        call = self.call_minutes(gap)
        way = self._problem.journey_minutes(
            self._problem.shifts[int(self.shift[gap])],
            int(self.labels.before[gap]),
            visit.place,
            over_workshop=call is not None,
        )
        return way - (call or 0)

    def extra_costs(self, visit: Visit) -> Minutes:
        """Return what the visit adds in each gap, fit or not; shape (n_gaps,)."""
        shift_costs = np.array(
            [visit.shift_costs.get(shift.id, 0) for shift in self._problem.shifts],
            dtype=np.int64,
        )
        there, back = self._journeys(visit)
        detour = there + back - self._saved
        extra: Minutes = detour + self._surcharge + shift_costs[self.shift]
        if self._problem.balance:
            extra += self._balance(self._worked + detour + self._minutes(visit))
            extra -= self._balance(self._worked)
        return extra

    def _balance(self, worked: Minutes) -> Minutes:
        """Return what is charged for rounds that work some minutes; shape (n_gaps,)."""
        apart = np.where(worked > 0, worked - self._usual_minutes, 0)
        charge: Minutes = -(-self._problem.balance * apart * apart // 3600)
        return charge

    def _minutes(self, visit: Visit) -> Minutes:
        """Return the visit's time on site in each gap; shape (n_gaps,)."""
        minutes = np.full(len(self._problem.shifts), visit.minutes, dtype=np.int64)
        if visit.shift_minutes:
            minutes[:] = [visit.minutes_in(shift.id) for shift in self._problem.shifts]
        on_site: Minutes = minutes[self.shift]
        return on_site

    def fits(self, visit: Visit, *, any_time: bool = False) -> NDArray[np.bool_]:
        """Tell for every gap whether the visit can be made there and the rest still kept.

        Returns
        -------
        ndarray of bool
            Shape (n_gaps,), in the order of `shift`.
        """
        labels = self.labels
        there, back = self._journeys(visit)
        minutes = self._minutes(visit)

        def leave(arrival: Minutes) -> Minutes:
            start = arrival if any_time else next_starts(visit.start_windows, arrival)
            leaving: Minutes = np.minimum(start + minutes, NEVER)
            return leaving

        by_then_rested = labels.after_break(labels.fresh, there)
        rested = leave(np.minimum(labels.rested + there, by_then_rested))
        fresh = leave(labels.fresh + there)
        arrival_rested = np.minimum(rested + back, labels.after_break(fresh, back))
        fitting: NDArray[np.bool_] = (arrival_rested <= labels.due_rested) | (
            fresh + back <= labels.due_fresh
        )
        fitting &= there + back - self._saved <= self._driving_room
        fitting &= ~self._too_soon
        return fitting

    def start_ranges(self, visit: Visit) -> "StartRanges":
        """Return every minute at which the visit may start in every gap, the rest still kept.

        A gap has up to two ranges per window, one with the break taken before the visit and one
        with the break still to come; they may overlap. Where the tools or parts are lacking there
        is none.
        """
        labels = self.labels
        there, back = self._journeys(visit)
        minutes = self._minutes(visit)
        work_and_way = minutes + back
        soonest = np.concatenate(
            [
                np.minimum(labels.rested + there, labels.after_break(labels.fresh, there)),
                labels.fresh + there,
            ]
        )
        # the break on the way out: it must still begin in time, and the arrival stand
        break_out = np.minimum(labels.pause_latest - minutes, labels.due_rested - work_and_way)
        break_out = np.where(
            labels.pause_earliest + labels.pause_minutes <= labels.due_rested,
            break_out - labels.pause_minutes,
            -NEVER,
        )
        latest = np.concatenate(
            [
                labels.due_rested - work_and_way,
                np.maximum(labels.due_fresh - work_and_way, break_out),
            ]
        )
        too_far = there + back - self._saved > self._driving_room
        supplied = self._over_workshop | self._supplied(visit) & ~self._too_soon
        latest[np.tile(too_far | ~supplied, 2)] = -NEVER
        windows = np.array(visit.start_windows, dtype=np.int64).reshape(-1, 2)
        first = np.searchsorted(windows[:, 1], soonest)
        count = np.searchsorted(windows[:, 0], latest, side="right") - first
        count = np.where(soonest <= latest, np.maximum(count, 0), 0)
        which = np.repeat(np.arange(soonest.size), count)
        window = first[which] + np.arange(which.size) - (np.cumsum(count) - count)[which]
        return StartRanges(
            gap=which % labels.row.size if which.size else which,
            window=window,
            soonest=np.maximum(soonest[which], windows[window, 0]),
            latest=np.minimum(latest[which], windows[window, 1]),
        )

    def _journeys(self, visit: Visit) -> tuple[Minutes, Minutes]:
        """Return the way to the visit and the way from it, gap by gap."""
        travel = self._problem.travel_minutes
        there = travel[self.labels.before, visit.place].astype(np.int64)
        back = travel[visit.place, self.labels.after].astype(np.int64)
        calls = self.labels.calls
        for gap in np.flatnonzero(calls).tolist():
            shift = self._problem.shifts[self.shift[gap]]
            onwards = int(self.labels.after[gap])
            back[gap] = self._problem.journey_minutes(
                shift, visit.place, onwards, over_workshop=True
            )
        over = np.flatnonzero(self._over_workshop)
        if over.size:
            workshops = [shift.workshop for shift in self._problem.shifts]
            where = np.array([0 if w is None else w.place for w in workshops])[self.shift[over]]
            calling = np.array([0 if w is None else w.minutes for w in workshops])
            there[over] = travel[self.labels.before[over], where] + travel[where, visit.place]
            there[over] += calling[self.shift[over]]
        return there, back

    def _supplied(self, visit: Visit) -> NDArray[np.bool_]:
        """Tell for every gap whether the visit's tools and parts are along; shape (n_gaps,)."""
        supplied = np.ones(self.shift.size, dtype=np.bool_)
        wanted = {kind: count for kind, count in visit.parts.items() if count}
        if not visit.tools and not wanted:
            return supplied
        firsts = self.labels.first.tolist()
        for row, candidate in enumerate(self.candidates):
            shift = self._problem.shifts[candidate.shift]
            used = Counter[str]()
            for index in candidate.order[: candidate.call_before]:
                used.update(self._problem.visits[index].parts)
            if not visit.tools <= shift.tools or any(
                used[kind] + count > shift.parts.get(kind, 0) for kind, count in wanted.items()
            ):
                after_call = firsts[row + 1]
                if candidate.call_before is not None:
                    after_call = firsts[row] + candidate.call_before + 1
                supplied[firsts[row] : after_call] = False
        return supplied


@dataclass(frozen=True, slots=True, kw_only=True)
class StartRanges:
    """Ranges of minutes at which a visit may start; all arrays have shape (n_ranges,).

    Attributes
    ----------
    gap
        The gap it would stand in.
    window
        Which of the visit's start windows the range lies in.
    soonest, latest
        Both ends allowed.
    """

    gap: Minutes
    window: Minutes
    soonest: Minutes
    latest: Minutes


def next_starts(windows: Sequence[tuple[int, int]], minutes: Minutes) -> Minutes:
    """Return the first allowed start at or after each minute, NEVER where there is none."""
    firsts = np.array([first for first, _ in windows] + [NEVER], dtype=np.int64)
    lasts = np.array([last for _, last in windows], dtype=np.int64)
    return np.maximum(minutes, firsts[np.searchsorted(lasts, minutes)])
