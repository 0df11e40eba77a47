"""What leaving a visit out costs, and what each shift adds to making it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from scheduler.routing.open_visits import OpenVisit
from scheduler.routing.parts import Shift
from scheduler.routing.weights import PlanningWeights
from scheduler.working_time import local_date

_OVERDUE_DAYS_COUNTED = 60


@dataclass(frozen=True, slots=True, kw_only=True)
class VisitCosts:
    """The costs of visits in the shifts of a problem.

    Attributes
    ----------
    weights : the exchange rates.
    shifts, shift_days : the shifts, and shift id -> local day.
    last_day : of the plan.
    perhaps_away : shift id -> the share of it in which its technician may be away.
    """

    weights: PlanningWeights
    shifts: Sequence[Shift]
    shift_days: Mapping[str, date]
    last_day: date
    perhaps_away: Mapping[str, float]

    def leave_out(self, visit: OpenVisit) -> int:
        """Return what leaving a visit out costs."""
        published = self.weights.withdraw if visit.standing is not None else 0
        return self._of_waiting(visit) + published

    def _of_waiting(self, visit: OpenVisit) -> int:
        weights = self.weights
        if visit.urgency is not None:
            return weights.leave_out_callback[visit.urgency]
        if visit.latest > self.last_day:
            return weights.leave_out_can_wait
        first_day = min(self.shift_days.values(), default=self.last_day)
        overdue = min(max((first_day - visit.latest).days, 0), _OVERDUE_DAYS_COUNTED)
        is_hard = visit.hard_latest is not None and visit.hard_latest <= self.last_day
        base = weights.leave_out_hard if is_hard else weights.leave_out_due
        return base + weights.overdue_per_day * overdue

    def by_shift(self, visit: OpenVisit) -> dict[str, int]:
        """Return what each shift with the skills adds; shifts not named add nothing."""
        by_day = {day: self._of_day(visit, day) for day in set(self.shift_days.values())}
        costs: dict[str, int] = {}
        for shift in self.shifts:
            if not visit.skills <= shift.skills:
                continue
            day = self.shift_days[shift.id]
            cost = by_day[day] + self._of_change(visit, shift, day)
            cost += round(self.weights.perhaps_away * self.perhaps_away.get(shift.id, 0))
            if cost:
                costs[shift.id] = cost
        return costs

    def _of_day(self, visit: OpenVisit, day: date) -> int:
        weights = self.weights
        if visit.urgency is not None:
            first = max(visit.earliest, min(self.shift_days.values()))
            later = sum(1 for other in set(self.shift_days.values()) if first <= other < day)
            return weights.callback_per_day * later
        early = max((visit.target - day).days, 0)
        late = max((min(day, visit.latest) - visit.target).days, 0)
        past = max((day - max(visit.latest, visit.target)).days, 0)
        return (
            weights.early_per_day * early
            + weights.late_per_day * late
            + weights.past_latest_per_day * min(past, _OVERDUE_DAYS_COUNTED)
        )

    def _of_change(self, visit: OpenVisit, shift: Shift, day: date) -> int:
        if visit.standing is None:
            return 0
        cost = 0
        if local_date(visit.standing.starts_at, visit.zone) != day:
            cost += self.weights.change_day
        if visit.standing.technician != shift.technician:
            cost += self.weights.change_technician
        return cost
