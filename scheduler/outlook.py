"""What a year ahead holds: the recurring work month by month, with its hours, parts and money."""

from collections import Counter as Tally
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from heapq import heappop, heappush
from math import floor

from scheduler.catalogue import Authority, Catalogue, ServiceRule
from scheduler.dates import add_months
from scheduler.duty import Duty, after_months
from scheduler.errors import InvalidInput
from scheduler.machines import Machine
from scheduler.spacing import IntervalDecision, Spacing
from scheduler.upkeep import MachineUpkeep, NextWork

_Key = tuple[str, str]  # rule and fitted part, "" for the machine as a whole


@dataclass(frozen=True, slots=True, kw_only=True)
class Occurrence:
    """One piece of recurring work on the day it is aimed at."""

    day: date
    rule: str
    fitted_part: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class MonthAhead:
    """The work aimed at one month, which begins on the day ``start``.

    ``minutes`` are hands-on: access, cool-down and travel depend on what shares a visit, and work
    done at every visit depends on the visits. ``cost_minor`` is parts and hands-on labour.
    """

    start: date
    tasks: int
    minutes: float
    parts: Mapping[str, int]
    cost_minor: int


def occurrences(
    machine: Machine,
    catalogue: Catalogue,
    duty: Duty,
    *,
    start: date,
    end: date,
    decisions: Sequence[IntervalDecision] = (),
) -> Iterator[Occurrence]:
    """Yield the recurring work of a machine aimed at ``start <= day < end``, by day.

    Overdue work is taken as done on ``start``, all other work on its target date; what comes next
    counts from there. As in the due tasks, greater work makes the lesser on its part good.
    """
    return _Course(MachineUpkeep(machine, catalogue, duty, decisions), start, end).run()


def months_ahead(
    machine: Machine,
    catalogue: Catalogue,
    duty: Duty,
    *,
    start: date,
    hour_rate_minor: int,
    months: int = 12,
    decisions: Sequence[IntervalDecision] = (),
) -> tuple[MonthAhead, ...]:
    """Return the work of a machine for so many months from ``start``, month by month.

    Parameters
    ----------
    hour_rate_minor : what an hour of a technician costs, in minor units of the currency.
    """
    upkeep = MachineUpkeep(machine, catalogue, duty, decisions)
    return months_of(upkeep, start=start, hour_rate_minor=hour_rate_minor, months=months)


def months_of(
    upkeep: MachineUpkeep, *, start: date, hour_rate_minor: int, months: int = 12
) -> tuple[MonthAhead, ...]:
    """Return the same where the upkeep of the machine is at hand."""
    catalogue = upkeep.catalogue
    begins = [add_months(start, n) for n in range(months + 1)]
    rules: list[list[ServiceRule]] = [[] for _ in range(months)]
    month = 0
    for work in _Course(upkeep, start, begins[-1]).run():
        while work.day >= begins[month + 1]:
            month += 1
        rules[month].append(catalogue.rules[work.rule])
    return tuple(
        _month(begins[n], rules[n], catalogue, hour_rate_minor=hour_rate_minor)
        for n in range(months)
    )


def _month(
    start: date, rules: Sequence[ServiceRule], catalogue: Catalogue, *, hour_rate_minor: int
) -> MonthAhead:
    minutes = sum(catalogue.minutes_alone(rule) for rule in rules)
    parts: Tally[str] = Tally()
    for rule in rules:
        for part, quantity in rule.consumes.items():
            parts[part] += quantity
    parts_minor = sum(catalogue.part_types[part].price_minor * n for part, n in parts.items())
    return MonthAhead(
        start=start,
        tasks=len(rules),
        minutes=minutes,
        parts=dict(parts),
        cost_minor=parts_minor + round(minutes / 60 * hour_rate_minor),
    )


def combined(outlooks: Iterable[Sequence[MonthAhead]]) -> tuple[MonthAhead, ...]:
    """Return the outlook of several machines together: of a site, a contract or the company.

    Raises
    ------
    InvalidInput
        When they do not cover the same months.
    """
    together: list[Sequence[MonthAhead]] = list(outlooks)
    if len({tuple(month.start for month in outlook) for outlook in together}) > 1:
        raise InvalidInput("outlooks add up only over the same months")
    return tuple(_sum_of(months) for months in zip(*together, strict=True))


def _sum_of(months: Sequence[MonthAhead]) -> MonthAhead:
    parts: Tally[str] = Tally()
    for month in months:
        for part, quantity in month.parts.items():
            parts[part] += quantity
    return MonthAhead(
        start=months[0].start,
        tasks=sum(month.tasks for month in months),
        minutes=sum(month.minutes for month in months),
        parts=dict(parts),
        cost_minor=sum(month.cost_minor for month in months),
    )


@dataclass(slots=True)
class _Recurrence:
    """One rule on one part: the day it counts from and the next day it is aimed at."""

    rule: ServiceRule
    spacing: Spacing
    base: date
    next_day: date
    latest: date | None = None  # of the next day, when known
    times: int = 0

    def advance(self) -> None:
        """Move on by one interval, counted from the base so that no month's end drifts."""
        self.times += 1
        self.next_day = self._after(self.times)
        self.latest = None

    def latest_day(self) -> date:
        """Return how long the work may wait, by the length of its interval."""
        if self.latest is not None:
            return self.latest
        if self._is_hard():
            return self.next_day
        length = (self.next_day - self._after(self.times - 1)).days
        return self.next_day + timedelta(days=floor(self.rule.late_share * length))

    def _is_hard(self) -> bool:
        return self.rule.authority is not Authority.PRACTICE and self.rule.limit is None

    def _after(self, times: int) -> date:
        spacing = self.spacing
        days = []
        if spacing.months is not None:
            days.append(after_months(self.base, times * spacing.months))
        if spacing.days is not None:
            days.append(spacing.season.day_after(self.base, times * spacing.days))
        margin_days = times * self.rule.margin_days if self._is_hard() else 0
        return max(min(days) - timedelta(days=margin_days), self.base + timedelta(days=times))


class _Course:
    """The course of one machine's upkeep through time, the earliest work first."""

    def __init__(self, upkeep: MachineUpkeep, start: date, end: date) -> None:
        self._upkeep = upkeep
        self._start = start
        self._end = end
        self._recurrences: dict[_Key, _Recurrence] = {}
        self._followed_up: dict[_Key, date] = {}
        self._queue: list[tuple[date, _Key]] = []
        self._greater: dict[str, list[str]] = {}
        self._followers: dict[str, list[ServiceRule]] = {}
        for rule in upkeep.catalogue.rules.values():
            for lesser in rule.restarts:
                self._greater.setdefault(lesser, []).append(rule.id)
            for lead in rule.follows:
                self._followers.setdefault(lead, []).append(rule)

    def run(self) -> Iterator[Occurrence]:
        for work in self._upkeep.next_work:
            self._begin(work)
        while self._queue:
            day, key = heappop(self._queue)
            recurrence = self._recurrences.get(key)
            if recurrence is None or recurrence.next_day != day:
                continue  # made good in the meantime
            if self._is_needless(recurrence, key):
                continue
            rule_id, part = key
            yield Occurrence(day=day, rule=rule_id, fitted_part=part or None)
            if recurrence.rule.follows:
                del self._recurrences[key]
                self._followed_up[key] = day
            else:
                recurrence.advance()
                self._enqueue(key, recurrence.next_day)
            self._restart_lesser(recurrence.rule, part, day)
            self._schedule_followers(recurrence.rule, part, day)

    def _is_needless(self, recurrence: _Recurrence, key: _Key) -> bool:
        """Whether greater work on the same part comes before this has to be done."""
        rule_id, part = key
        return any(
            greater.next_day <= recurrence.latest_day()
            for greater_id in self._greater.get(rule_id, ())
            if (greater := self._recurrences.get((greater_id, part)))
        )

    def _restart_lesser(self, rule: ServiceRule, part: str, day: date) -> None:
        for lesser in rule.restarts:
            lesser_rule = self._upkeep.catalogue.rules[lesser]
            if not lesser_rule.every_visit and self._upkeep.applies(lesser_rule):
                self._schedule(lesser_rule, part, day)

    def _schedule_followers(self, rule: ServiceRule, part: str, day: date) -> None:
        for follower in self._followers.get(rule.id, ()):
            if self._upkeep.applies(follower):
                for place in self._places(follower, rule, part):
                    if self._followed_up.get((follower.id, place)) != day:
                        self._schedule(follower, place, day)

    def _places(self, follower: ServiceRule, rule: ServiceRule, part: str) -> list[str]:
        """Return the parts a rule is done to that follows another done to ``part``."""
        if follower.part_type is None:
            return [""]
        if follower.part_type == rule.part_type:
            return [part]
        parts = self._upkeep.machine.parts
        return [fitted.id for fitted in parts if fitted.part_type == follower.part_type]

    def _begin(self, work: NextWork) -> None:
        spacing = self._upkeep.spacing(work.rule)
        if spacing is not None:
            day = max(work.target, self._start)
            self._keep(
                work.part.id if work.part else "",
                _Recurrence(
                    rule=work.rule, spacing=spacing, base=day, next_day=day, latest=work.latest
                ),
            )

    def _schedule(self, rule: ServiceRule, part: str, day: date) -> None:
        """Plan a rule one interval after a day."""
        spacing = self._upkeep.spacing(rule)
        if spacing is not None:
            recurrence = _Recurrence(rule=rule, spacing=spacing, base=day, next_day=day)
            recurrence.advance()
            self._keep(part, recurrence)

    def _keep(self, part: str, recurrence: _Recurrence) -> None:
        key = (recurrence.rule.id, part)
        self._recurrences[key] = recurrence
        self._enqueue(key, recurrence.next_day)

    def _enqueue(self, key: _Key, day: date) -> None:
        if day < self._end:
            heappush(self._queue, (day, key))
