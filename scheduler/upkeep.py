"""Which work falls due when, and why: rule + fitted part + history + duty → due task."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from math import floor

from scheduler.catalogue import Authority, Catalogue, ServiceRule
from scheduler.dates import add_months
from scheduler.duty import Duty, after_months, counter_days_at, counter_limit_at, months_at
from scheduler.errors import DecisionBeyondLimit, InvalidInput
from scheduler.machines import Certificate, FittedPart, Machine
from scheduler.seasons import EVEN, Season
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


@dataclass(frozen=True, slots=True, kw_only=True)
class IntervalDecision:
    """The company's recorded decision to do a rule's work every so many months.

    It replaces the calendar interval of the rule, for one machine or (``machine`` None) for all; a
    counter goes on counting. Neither the law nor a maker's limit gives way to it.
    """

    rule: str
    months: float
    decided_by: str
    decided_on: date
    reason: str
    machine: str | None = None

    def __post_init__(self) -> None:
        if not self.months > 0:
            raise InvalidInput(f"months must be > 0, got {self.months}")
        for name in ("decided_by", "reason"):
            if not getattr(self, name).strip():
                raise InvalidInput(
                    f"{name} must not be empty: the decision has to be accounted for"
                )


def longest_months(rule: ServiceRule) -> float | None:
    """Return the most months the rule's work may ever wait; None when nobody sets a limit."""
    if rule.limit is not None:
        return rule.limit.months
    if rule.authority is Authority.PRACTICE:
        return None
    return max((months for _, months in rule.interval.months_by_drinks), default=None)


def holds_until(certificate: Certificate, rule: ServiceRule | None) -> date | None:
    """Return the last day a certificate lets a machine be used; None when it was refused.

    The stricter of what the certificate says and what the law asks for: a slip of the pen on a
    certificate relaxes nothing.
    """
    months = longest_months(rule) if rule is not None else None
    if certificate.valid_until is None or months is None:
        return certificate.valid_until
    return min(certificate.valid_until, after_months(certificate.examined_on, months))


def check_decision(decision: IntervalDecision, catalogue: Catalogue) -> None:
    """Refuse a decision that the law or a maker's limit does not allow.

    Raises
    ------
    InvalidInput
        When the rule does not exist.
    DecisionBeyondLimit
        When it asks for more months than the limit.
    """
    rule = catalogue.rules.get(decision.rule)
    if rule is None:
        raise InvalidInput(f"the catalogue has no rule {decision.rule}")
    limit = longest_months(rule)
    if limit is not None and decision.months > limit:
        authority = rule.limit.authority if rule.limit else rule.authority
        raise DecisionBeyondLimit(decision.rule, decision.months, limit, authority)


@dataclass(frozen=True, slots=True, kw_only=True)
class Spacing:
    """A rule's interval at the pace of one machine.

    ``months`` of the calendar or ``days`` of a counter, whichever comes first; the days are those
    of the ``season``'s clock, on which a busy day counts for more. ``limit_months`` is hard.
    ``calendar_words`` and ``counter_words`` say so.
    """

    months: float | None
    days: float | None
    limit_months: float | None
    calendar_words: str
    counter_words: str
    season: Season = EVEN


def spacing_of(
    rule: ServiceRule, duty: Duty, decision: IntervalDecision | None = None
) -> Spacing | None:
    """Return how far apart a rule's work lies at a duty; None when it never falls due.

    A decision beyond the limit counts as the limit.
    """
    months = months_at(rule.interval, duty.drinks_per_day)
    days = counter_days_at(rule.interval, duty)
    limit = longest_months(rule)
    words = _BY_WHOM[rule.authority]
    if decision is not None and months is not None:
        months = decision.months
        words = f"decided by {decision.decided_by} on {decision.decided_on}: {decision.reason}"
    if months is not None and limit is not None:
        months = min(months, limit)
    if months is None and days is None:
        return None
    calendar_words, counter_words = "", ""
    if months is not None:
        varies = decision is None and len(rule.interval.months_by_drinks) > 1
        pace = f" at {duty.drinks_per_day:.0f} drinks a day" if varies else ""
        calendar_words = f"every {_plain(months)} months{pace}, {words}"
    if days is not None and rule.interval.counter is not None:
        counter = rule.interval.counter
        counter_words = (
            f"every {counter_limit_at(rule.interval, duty):.0f} {counter}, {days:.0f} days "
            f"at {duty.rates[counter]:.3g} a day, {words}"
        )
    return Spacing(
        months=months,
        days=days,
        limit_months=rule.limit.months if rule.limit else None,
        calendar_words=calendar_words,
        counter_words=counter_words,
        season=duty.season,
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
    planner = MachineUpkeep(machine, catalogue, duty, decisions)
    tasks = [task for task in planner.tasks() if task.earliest < until]
    tasks.sort(key=lambda task: (task.target, task.id))
    return tuple(tasks)


@dataclass(frozen=True, slots=True)
class _LastDone:
    on: date
    by: str  # the rule carried out, which may stand for another


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

    def tasks(self) -> list[DueTask]:
        """Return the next task of every rule and fitted part, in no particular order."""
        tasks = self._tasks_on(None)
        for part in self.machine.parts:
            tasks += _without_needless(self._tasks_on(part), self.catalogue)
        return tasks

    def statutory_tasks(self) -> list[tuple[DueTask, Certificate | None]]:
        """Return the next examinations the law asks for, each with the certificate it goes by."""
        found = []
        for part in (None, *self.machine.parts):
            for rule in self.catalogue.rules_by_part.get(part.part_type if part else None, ()):
                if rule.authority is Authority.STATUTE and self.applies(rule):
                    task = self._task(rule, part)
                    if task is not None:
                        found.append((task, self._certificate(rule, part)))
        return found

    def _certificate(self, rule: ServiceRule, part: FittedPart | None) -> Certificate | None:
        if rule.authority is not Authority.STATUTE:
            return None
        return self._certificates.get((rule.id, part.id if part else None))

    def _tasks_on(self, part: FittedPart | None) -> list[DueTask]:
        tasks = []
        for rule in self.catalogue.rules_by_part.get(part.part_type if part else None, ()):
            if not rule.every_visit and self.applies(rule):
                task = self._task(rule, part)
                if task is not None:
                    tasks.append(task)
        return tasks

    def applies(self, rule: ServiceRule) -> bool:
        """Whether a rule is for machines built like this one."""
        return self.machine.build.suits(rule.applies_to)

    def spacing(self, rule: ServiceRule) -> Spacing | None:
        """Return the spacing of a rule on this machine, worked out once."""
        if rule.id not in self._spacings:
            decision = self._decisions.get(rule.id)
            self._spacings[rule.id] = spacing_of(rule, self._duty, decision)
        return self._spacings[rule.id]

    def _task(self, rule: ServiceRule, part: FittedPart | None) -> DueTask | None:
        certificate = self._certificate(rule, part)
        spacing = self.spacing(rule)
        if certificate is not None:  # nothing but the next one makes it good
            anchor = certificate.examined_on
            history = f"certificate {certificate.number} of {anchor}"
            dates = _certified_dates(rule, certificate, spacing)
        else:
            anchored = self._anchor(rule, part)
            if spacing is None or anchored is None:
                return None
            anchor, history = anchored
            dates = _dates(rule, spacing, anchor, self.machine.installed_on)
        position = f", {part.position}" if part else ""
        upgrade = self._upgrade(part.part_type) if part else None
        because = f"{rule.name}{position}: {history}; {dates.words}."
        if upgrade is not None:
            because += f" {upgrade.because}"
        machine = self.machine
        return DueTask(
            id=f"{machine.id}:{part.id if part else '-'}:{rule.id}:{anchor}",
            machine=machine.id,
            site=machine.site,
            rule=rule.id,
            fitted_part=part.id if part else None,
            anchor=anchor,
            earliest=dates.earliest,
            target=dates.target,
            latest=dates.latest,
            hard=dates.hard,
            because=because,
            upgrade_to=upgrade.part_type if upgrade else None,
            urgent=certificate is not None and certificate.valid_until is None,
        )

    def _upgrade(self, part_type: str) -> Upgrade | None:
        if self.catalogue.part_types[part_type].superseded_by is None:
            return None
        return upgrade_for(part_type, self.catalogue)

    def _anchor(self, rule: ServiceRule, part: FittedPart | None) -> tuple[date, str] | None:
        """Return the day the interval counts from and the history in words; None when not due."""
        last = self._last.get((rule.id, part.id if part else None))
        if rule.follows:
            lead = self._lead(rule, part)
            if lead is None or (last is not None and last.on >= lead.on):
                return None
            return lead.on, f"follows {self.catalogue.rules[lead.by].name} of {lead.on}"
        since = part.fitted_on if part else self.machine.installed_on
        if last is None or last.on < since:
            return since, f"{'fitted' if part else 'installed'} on {since}, not done since"
        if last.by != rule.id:
            return last.on, f"made good on {last.on} by {self.catalogue.rules[last.by].name}"
        return last.on, f"last done on {last.on}"

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


@dataclass(frozen=True, slots=True)
class _Dates:
    earliest: date
    target: date
    latest: date
    hard: bool
    words: str


def _dates(rule: ServiceRule, spacing: Spacing, anchor: date, installed_on: date) -> _Dates:
    """Return the window of the work that is next after ``anchor``."""
    due, words = _due(spacing, anchor)
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
        words += f"; never after {hard_day}"
    earliest = max(anchor, target - timedelta(days=floor(rule.early_share * length)))
    return _Dates(earliest, target, latest, hard, words)


def _certified_dates(
    rule: ServiceRule, certificate: Certificate, spacing: Spacing | None
) -> _Dates:
    """Return the window of the examination after a certificate: hard, on the strictest last day.

    The certificate may ask for the next one sooner than the rule or the company's own decision,
    and these may ask for it sooner than the certificate.
    """
    anchor = certificate.examined_on
    last = certificate.valid_until or anchor
    words = f"valid until {last}; never after it"
    if certificate.valid_until is None:
        words = "not passed: not to be used before it is examined again"
    elif spacing is not None and spacing.months is not None:
        due = after_months(anchor, spacing.months)
        if due < last:
            words = f"valid until {last}, but {spacing.calendar_words}; never after {due}"
            last = due
    target = max(anchor, last - timedelta(days=rule.margin_days))
    earliest = max(anchor, target - timedelta(days=floor(rule.early_share * (last - anchor).days)))
    return _Dates(earliest, target, last, True, words)


def _due(spacing: Spacing, anchor: date) -> tuple[date, str]:
    by_calendar = None if spacing.months is None else after_months(anchor, spacing.months)
    by_counter = None if spacing.days is None else spacing.season.day_after(anchor, spacing.days)
    if by_counter is None or (by_calendar is not None and by_calendar <= by_counter):
        assert by_calendar is not None, "a spacing has months or days"
        return by_calendar, spacing.calendar_words
    return by_counter, spacing.counter_words


def _without_needless(tasks: list[DueTask], catalogue: Catalogue) -> list[DueTask]:
    """Leave out work on a part that a replacement, due in time, makes good as well."""
    rules = catalogue.rules
    kept = {task.rule: task for task in tasks}
    for greater in [task.rule for task in tasks]:
        for lesser in rules[greater].restarts:
            task, needless = kept.get(greater), kept.get(lesser)
            if task and needless and task.target <= needless.latest:
                del kept[lesser]
                kept[greater] = _in_place_of(task, needless)
    return list(kept.values())


def _in_place_of(task: DueTask, needless: DueTask) -> DueTask:
    latest = min(task.latest, needless.latest)
    return replace(
        task,
        latest=latest,
        hard=any(each.hard and each.latest == latest for each in (task, needless)),
        because=f"{task.because} Takes the place of: {needless.because}",
    )
