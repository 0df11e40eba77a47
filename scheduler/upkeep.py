"""Which work falls due when, and why: rule + fitted part + history + duty → due task."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from functools import cached_property
from math import floor
from typing import NamedTuple

from scheduler.catalogue import Authority, Catalogue, ServiceRule
from scheduler.dates import add_months
from scheduler.duty import Duty, after_months, counter_limit_at
from scheduler.errors import InvalidInput
from scheduler.machines import Certificate, FittedPart, Machine
from scheduler.spacing import IntervalDecision, Spacing, spacing_of
from scheduler.upgrades import Upgrade, upgrade_for

_BY_WHOM: Mapping[Authority, str] = {
    Authority.STATUTE: "by law",
    Authority.MAKER: "by the maker",
    Authority.PRACTICE: "by good practice",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class DueTask:
    """One piece of work that falls due on one machine.

    ``earliest`` ≤ ``target`` ≤ ``latest`` are whole days at the site; ``hard`` means ``latest`` is
    set by law or by the maker and may never be passed. ``because`` says in words which rule and
    which history made it. ``upgrade_to`` names the part type to offer instead of a superseded one.
    ``urgent`` work is on a machine that is not to be used until then: each day counts.
    """

    id: str  # machine, fitted part, rule and anchor: the same work always has the same id
    machine: str
    site: str
    rule: str
    fitted_part: str | None
    anchor: date
    earliest: date
    target: date
    latest: date
    hard: bool
    because: str
    upgrade_to: str | None = None
    urgent: bool = False

    def __post_init__(self) -> None:
        if not self.earliest <= self.target <= self.latest:
            raise InvalidInput(
                f"task {self.id} needs earliest <= target <= latest, "
                f"got {self.earliest}, {self.target}, {self.latest}"
            )


def _plain(number: float) -> str:
    return f"{number:.1f}".removesuffix(".0")


def due_tasks(
    machine: Machine,
    catalogue: Catalogue,
    duty: Duty,
    *,
    until: date,
    decisions: Sequence[IntervalDecision] = (),
) -> tuple[DueTask, ...]:
    """Return the next task of every rule and fitted part that may be done before a day.

    Parameters
    ----------
    until : tasks with ``earliest < until`` are returned, overdue ones included.
    decisions : the company's own intervals; one for a machine outweighs one for all.

    Returns
    -------
    Tasks by target date, at most one per rule and fitted part. Work on a part that a due
    replacement of the same part makes needless is left to that replacement, which then inherits
    its latest date.
    """
    return MachineUpkeep(machine, catalogue, duty, decisions).due(until)


@dataclass(frozen=True, slots=True)
class _LastDone:
    on: date
    by: str  # the rule carried out, which may stand for another


class NextWork(NamedTuple):
    """When a rule is next done to a part, or to the machine as a whole; not yet in words."""

    rule: ServiceRule
    part: FittedPart | None
    anchor: date
    counts_from: _LastDone | Certificate | None  # None: the day it was fitted or installed
    earliest: date
    target: date
    own_latest: date
    own_hard: bool  # by law or by the maker
    by_counter: bool  # a counter set the days, not the calendar
    in_place_of: tuple[NextWork, ...] = ()  # work it makes needless

    @property
    def latest(self) -> date:
        """Its last day, and that of the work it makes needless."""
        if not self.in_place_of:
            return self.own_latest
        return min(self.own_latest, *(work.latest for work in self.in_place_of))

    @property
    def hard(self) -> bool:
        """Whether the latest day may never be passed."""
        latest = self.latest
        return (self.own_hard and self.own_latest == latest) or any(
            work.hard and work.latest == latest for work in self.in_place_of
        )


class MachineUpkeep:
    """The upkeep of one machine: its history by rule and part, its spacings, its next tasks."""

    def __init__(
        self,
        machine: Machine,
        catalogue: Catalogue,
        duty: Duty,
        decisions: Sequence[IntervalDecision],
    ) -> None:
        self.machine = machine
        self.catalogue = catalogue
        self._duty = duty
        self._decisions: dict[str, IntervalDecision] = {}
        for decision in decisions:
            if decision.machine == machine.id or (
                decision.machine is None and decision.rule not in self._decisions
            ):
                self._decisions[decision.rule] = decision
        self._spacings: dict[str, Spacing | None] = {}
        self._certificates: dict[tuple[str, str | None], Certificate] = {}
        for each in sorted(machine.certificates, key=lambda each: each.examined_on):
            self._certificates[each.rule, each.fitted_part] = each
        self._last: dict[tuple[str, str | None], _LastDone] = {}
        for work in machine.history:
            done = catalogue.rules.get(work.rule)
            for rule_id in (work.rule, *(done.restarts if done else ())):
                key = (rule_id, work.fitted_part)
                known = self._last.get(key)
                if known is None or known.on < work.done_on:
                    self._last[key] = _LastDone(work.done_on, work.rule)

    def due(self, until: date) -> tuple[DueTask, ...]:
        """Return the tasks that may be done before a day; see :func:`due_tasks`."""
        tasks = [self.task(work) for work in self.next_work if work.earliest < until]
        tasks.sort(key=lambda task: (task.target, task.id))
        return tuple(tasks)

    @cached_property
    def next_work(self) -> Sequence[NextWork]:
        """What is done next by every rule to every fitted part, in no particular order."""
        found = self._next_on(None)
        for part in self.machine.parts:
            found += _without_needless(self._next_on(part))
        return found

    def statutory_tasks(self) -> list[tuple[DueTask, Certificate | None]]:
        """Return the next examinations the law asks for, each with the certificate it goes by."""
        found = []
        for part in (None, *self.machine.parts):
            for rule in self.catalogue.rules_by_part.get(part.part_type if part else None, ()):
                if rule.authority is Authority.STATUTE and self.applies(rule):
                    work = self._next(rule, part)
                    if work is not None:
                        found.append((self.task(work), self._certificate(rule, part)))
        return found

    def _certificate(self, rule: ServiceRule, part: FittedPart | None) -> Certificate | None:
        if rule.authority is not Authority.STATUTE:
            return None
        return self._certificates.get((rule.id, part.id if part else None))

    def _next_on(self, part: FittedPart | None) -> list[NextWork]:
        found = []
        for rule in self.catalogue.rules_by_part.get(part.part_type if part else None, ()):
            if not rule.every_visit and self.applies(rule):
                work = self._next(rule, part)
                if work is not None:
                    found.append(work)
        return found

    def applies(self, rule: ServiceRule) -> bool:
        """Whether a rule is for machines built like this one."""
        return self.machine.build.suits(rule.applies_to)

    def spacing(self, rule: ServiceRule) -> Spacing | None:
        """Return the spacing of a rule on this machine, worked out once."""
        if rule.id not in self._spacings:
            decision = self._decisions.get(rule.id)
            self._spacings[rule.id] = spacing_of(rule, self._duty, decision)
        return self._spacings[rule.id]

    def _next(self, rule: ServiceRule, part: FittedPart | None) -> NextWork | None:
        certificate = self._certificate(rule, part)
        spacing = self.spacing(rule)
        if certificate is not None:  # nothing but the next one makes it good
            return _after_certificate(rule, part, certificate, spacing)
        anchored = self._anchor(rule, part)
        if spacing is None or anchored is None:
            return None
        anchor, counts_from = anchored
        return _after(rule, part, spacing, anchor, counts_from, self.machine.installed_on)

    def task(self, work: NextWork) -> DueTask:
        """Return the work as a due task, with the reason in words."""
        machine, part, since = self.machine, work.part, work.counts_from
        upgrade = self._upgrade(part.part_type) if part else None
        return DueTask(
            id=f"{machine.id}:{part.id if part else '-'}:{work.rule.id}:{work.anchor}",
            machine=machine.id,
            site=machine.site,
            rule=work.rule.id,
            fitted_part=part.id if part else None,
            anchor=work.anchor,
            earliest=work.earliest,
            target=work.target,
            latest=work.latest,
            hard=work.hard,
            because=self._because(work, upgrade),
            upgrade_to=upgrade.part_type if upgrade else None,
            urgent=isinstance(since, Certificate) and since.valid_until is None,
        )

    def _upgrade(self, part_type: str) -> Upgrade | None:
        if self.catalogue.part_types[part_type].superseded_by is None:
            return None
        return upgrade_for(part_type, self.catalogue)

    def _because(self, work: NextWork, upgrade: Upgrade | None) -> str:
        position = f", {work.part.position}" if work.part else ""
        because = f"{work.rule.name}{position}: {self._history(work)}; {self._interval(work)}."
        if upgrade is not None:
            because += f" {upgrade.because}"
        for needless in work.in_place_of:
            because += f" Takes the place of: {self._because(needless, upgrade)}"
        return because

    def _history(self, work: NextWork) -> str:
        """Return what the interval counts from, in words."""
        since = work.counts_from
        if since is None:
            return f"{'fitted' if work.part else 'installed'} on {work.anchor}, not done since"
        if isinstance(since, Certificate):
            return f"certificate {since.number} of {since.examined_on}"
        if work.rule.follows:
            return f"follows {self.catalogue.rules[since.by].name} of {since.on}"
        if since.by != work.rule.id:
            return f"made good on {since.on} by {self.catalogue.rules[since.by].name}"
        return f"last done on {since.on}"

    def _interval(self, work: NextWork) -> str:
        """Return what set the days of the work, in words."""
        last = work.own_latest
        if isinstance(work.counts_from, Certificate):
            valid_until = work.counts_from.valid_until
            if valid_until is None:
                return "not passed: not to be used before it is examined again"
            if last < valid_until:
                by_calendar = self._by_calendar(work.rule)
                return f"valid until {valid_until}, but {by_calendar}; never after {last}"
            return f"valid until {valid_until}; never after it"
        words = self._by_counter(work.rule) if work.by_counter else self._by_calendar(work.rule)
        return f"{words}; never after {last}" if work.own_hard else words

    def _by_calendar(self, rule: ServiceRule) -> str:
        spacing, decision = self.spacing(rule), self._decisions.get(rule.id)
        assert spacing is not None, "what falls due has a spacing"
        assert spacing.months is not None, "the calendar set the days"
        pace, by_whom = "", _BY_WHOM[rule.authority]
        if decision is not None:
            by_whom = (
                f"decided by {decision.decided_by} on {decision.decided_on}: {decision.reason}"
            )
        elif len(rule.interval.months_by_drinks) > 1:
            pace = f" at {self._duty.drinks_per_day:.0f} drinks a day"
        return f"every {_plain(spacing.months)} months{pace}, {by_whom}"

    def _by_counter(self, rule: ServiceRule) -> str:
        spacing, counter = self.spacing(rule), rule.interval.counter
        assert spacing is not None, "what falls due has a spacing"
        assert counter is not None, "a counter set the days"
        return (
            f"every {counter_limit_at(rule.interval, self._duty):.0f} {counter}, "
            f"{spacing.days:.0f} days at {self._duty.rates[counter]:.3g} a day, "
            f"{_BY_WHOM[rule.authority]}"
        )

    def _anchor(
        self, rule: ServiceRule, part: FittedPart | None
    ) -> tuple[date, _LastDone | None] | None:
        """Return the day the interval counts from and what was done then; None when not due."""
        last = self._last.get((rule.id, part.id if part else None))
        if rule.follows:
            lead = self._lead(rule, part)
            if lead is None or (last is not None and last.on >= lead.on):
                return None
            return lead.on, lead
        since = part.fitted_on if part else self.machine.installed_on
        if last is None or last.on < since:
            return since, None
        return last.on, last

    def _lead(self, rule: ServiceRule, part: FittedPart | None) -> _LastDone | None:
        """Return the latest work this rule follows: on the same part if on such a part at all."""
        leads = [
            done
            for (rule_id, part_id), done in self._last.items()
            if rule_id in rule.follows
            and done.by == rule_id
            and (
                part is None
                or part_id == part.id
                or self.catalogue.rules[rule_id].part_type != part.part_type
            )
        ]
        return max(leads, key=lambda done: done.on, default=None)


def _after(
    rule: ServiceRule,
    part: FittedPart | None,
    spacing: Spacing,
    anchor: date,
    counts_from: _LastDone | None,
    installed_on: date,
) -> NextWork:
    """Return the work that is next after ``anchor``."""
    due, by_counter = _due(spacing, anchor)
    if rule.from_age_years:
        due = max(due, add_months(installed_on, 12 * rule.from_age_years))
    length = (due - anchor).days
    hard_day: date | None = None
    if spacing.limit_months is not None:
        hard_day = after_months(anchor, spacing.limit_months)
    elif rule.authority is not Authority.PRACTICE:
        hard_day = due
    target, latest = due, due + timedelta(days=floor(rule.late_share * length))
    hard = hard_day is not None and hard_day <= latest
    if hard_day is not None and hard:
        latest = hard_day
        target = min(target, max(anchor, hard_day - timedelta(days=rule.margin_days)))
    earliest = max(anchor, target - timedelta(days=floor(rule.early_share * length)))
    return NextWork(rule, part, anchor, counts_from, earliest, target, latest, hard, by_counter)


def _after_certificate(
    rule: ServiceRule, part: FittedPart | None, certificate: Certificate, spacing: Spacing | None
) -> NextWork:
    """Return the examination after a certificate: hard, on the strictest last day.

    The certificate may ask for the next one sooner than the rule or the company's own decision,
    and these may ask for it sooner than the certificate.
    """
    anchor = certificate.examined_on
    last = certificate.valid_until or anchor
    if certificate.valid_until is not None and spacing is not None and spacing.months is not None:
        last = min(last, after_months(anchor, spacing.months))
    target = max(anchor, last - timedelta(days=rule.margin_days))
    earliest = max(anchor, target - timedelta(days=floor(rule.early_share * (last - anchor).days)))
    return NextWork(rule, part, anchor, certificate, earliest, target, last, True, False)


def _due(spacing: Spacing, anchor: date) -> tuple[date, bool]:
    """Return the day the interval ends and whether that is by the counter."""
    by_calendar = None if spacing.months is None else after_months(anchor, spacing.months)
    by_counter = None if spacing.days is None else spacing.season.day_after(anchor, spacing.days)
    if by_counter is None or (by_calendar is not None and by_calendar <= by_counter):
        assert by_calendar is not None, "a spacing has months or days"
        return by_calendar, False
    return by_counter, True


def _without_needless(found: list[NextWork]) -> list[NextWork]:
    """Leave out work on a part that a replacement, due in time, makes good as well."""
    if len(found) < 2:
        return found
    kept = {work.rule.id: work for work in found}
    for greater in [work.rule for work in found]:
        for lesser in greater.restarts:
            work, needless = kept.get(greater.id), kept.get(lesser)
            if work and needless and work.target <= needless.latest:
                del kept[lesser]
                kept[greater.id] = work._replace(in_place_of=(*work.in_place_of, needless))
    return list(kept.values())
