"""How far apart a rule's work lies on one machine: by the calendar, by a counter, as decided."""

from dataclasses import dataclass
from datetime import date

from scheduler.catalogue import Authority, Catalogue, ServiceRule
from scheduler.duty import Duty, after_months, counter_days_at, months_at
from scheduler.errors import DecisionBeyondLimit, InvalidInput
from scheduler.machines import Certificate
from scheduler.seasons import EVEN, Season


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
    """

    months: float | None
    days: float | None
    limit_months: float | None
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
    if decision is not None and months is not None:
        months = decision.months
    if months is not None and limit is not None:
        months = min(months, limit)
    if months is None and days is None:
        return None
    return Spacing(
        months=months,
        days=days,
        limit_months=rule.limit.months if rule.limit else None,
        season=duty.season,
    )
