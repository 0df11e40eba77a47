"""How a type of part wears in a class of duty, what its replacement costs, and what to do."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from scheduler.catalogue import Action, Catalogue, ServiceRule
from scheduler.duty import TYPICAL_DRINKS, DutyClass, months_at
from scheduler.errors import InvalidInput, NeverRenewed, TooFewFailures, UnknownReference
from scheduler.spacing import longest_months
from scheduler.wear.block import BlockAdvice, advise_block
from scheduler.wear.lives import Life
from scheduler.wear.records import Kind
from scheduler.wear.replacement import ReplacementAdvice, ReplacementCosts, advise_replacement
from scheduler.wear.survival import SurvivalCurve, kaplan_meier
from scheduler.wear.weibull import Prior, Weibull, WeibullFit, fit_weibull

DAYS_PER_MONTH = 365.25 / 12
RENEWING = frozenset({Action.REBUILD, Action.REPLACE})
"""The actions that make a part as good as new."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FailurePolicy:
    """What a failure costs beside the part and the work. Defaults are common practice, no source.

    All in minor units of money, >= 0.

    Attributes
    ----------
    hour_rate_minor : an hour of a technician.
    visit_share_minor : the share of a planned visit that one replacement bears.
    emergency_visit_minor : a visit made for the failure alone.
    lost_sales_hour_minor, hours_down : what the site loses in an hour, and for how many.
    damage_minor : what else a failing part spoils on average.
    """

    hour_rate_minor: float = 6500.0
    visit_share_minor: float = 1500.0
    emergency_visit_minor: float = 13_500.0
    lost_sales_hour_minor: float = 6000.0
    hours_down: float = 3.0
    damage_minor: float = 0.0

    def __post_init__(self) -> None:
        for name in self.__slots__:
            if not getattr(self, name) >= 0:
                raise InvalidInput(f"{name} must be >= 0, got {getattr(self, name)}")

    @property
    def breakdown_minor(self) -> float:
        """What a failure costs, the part and its fitting left out."""
        lost_sales = self.lost_sales_hour_minor * self.hours_down
        return self.emergency_visit_minor + lost_sales + self.damage_minor


@dataclass(frozen=True, slots=True, kw_only=True)
class PartWear:
    """What is known of the wear of a part type in a class of duty; ages in days.

    ``work_minor`` is the part and the minutes alone; ``limit_days`` the age by which law or maker
    want it renewed.
    """

    part_type: str
    duty: DutyClass
    rule: str
    fit: WeibullFit
    curve: SurvivalCurve
    work_minor: float
    costs: ReplacementCosts
    limit_days: float | None
    advice: ReplacementAdvice

    @property
    def because(self) -> str:
        """The verdict in plain words, with the numbers it rests on."""
        return f"{self.advice.because} {self.fit.because}"

    def together(self, currency: str = "") -> BlockAdvice | None:
        """Return what renewing all of them at the same visit would do; None when it never pays."""
        return advise_block(
            self.fit.law, self.costs, self.advice, limit_age=self.limit_days, currency=currency
        )


def renewing_rule(part_type: str, catalogue: Catalogue) -> ServiceRule | None:
    """Return the rule that renews a part as a matter of course: the one that comes most often."""
    rules = [rule for rule in catalogue.rules_by_part.get(part_type, ()) if rule.action in RENEWING]
    return min(
        rules, key=lambda rule: (_typical_months(rule, DutyClass.STANDARD), rule.id), default=None
    )


def _typical_months(rule: ServiceRule, duty: DutyClass) -> float:
    return months_at(rule.interval, TYPICAL_DRINKS[duty]) or float("inf")


def prior_of(part_type: str, duty: DutyClass, catalogue: Catalogue) -> Prior | None:
    """Return what the catalogue thinks of a part's life at a duty, None when it says nothing.

    The life shortens with duty as the interval of the rule that renews the part does.
    """
    known = catalogue.part_types[part_type].life
    if known is None:
        return None
    rule = renewing_rule(part_type, catalogue)
    stretch = 1.0
    if rule is not None and rule.interval.months_by_drinks:
        stretch = _typical_months(rule, duty) / _typical_months(rule, DutyClass.STANDARD)
    scale = known.months * DAYS_PER_MONTH * stretch
    return Prior(law=Weibull(shape=known.shape, scale=scale))


def work_cost_minor(rule: ServiceRule, catalogue: Catalogue, policy: FailurePolicy) -> float:
    """Return what the parts and the hands-on minutes of a rule cost."""
    consumed = dict(rule.consumes)
    if not consumed and rule.part_type is not None:
        consumed = {rule.part_type: 1}
    parts = sum(catalogue.part_types[part].price_minor * n for part, n in consumed.items())
    return parts + catalogue.minutes_alone(rule) / 60 * policy.hour_rate_minor


def part_wear(
    part_type: str,
    duty: DutyClass,
    lives: Sequence[Life],
    catalogue: Catalogue,
    policy: FailurePolicy,
) -> PartWear:
    """Return the wear of a part type from lives in days.

    Raises
    ------
    UnknownReference
        When the part type is not in the catalogue.
    NeverRenewed
        When no rule of the catalogue renews such parts.
    TooFewFailures
        When the lives do not determine a law and the catalogue has no expected life.
    """
    if part_type not in catalogue.part_types:
        raise UnknownReference("part type", part_type, catalogue.part_types)
    rule = renewing_rule(part_type, catalogue)
    if rule is None:
        raise NeverRenewed(part_type)
    prior = prior_of(part_type, duty, catalogue)
    if not lives and prior is None:
        raise TooFewFailures(0)
    fit = fit_weibull(lives, prior)
    work = work_cost_minor(rule, catalogue, policy)
    costs = ReplacementCosts(
        planned_minor=work + policy.visit_share_minor,
        failure_minor=work + policy.breakdown_minor,
    )
    months = longest_months(rule)
    limit = None if months is None else months * DAYS_PER_MONTH
    return PartWear(
        part_type=part_type,
        duty=duty,
        rule=rule.id,
        fit=fit,
        curve=kaplan_meier(lives),
        work_minor=work,
        costs=costs,
        limit_days=limit,
        advice=advise_replacement(fit.law, costs, limit_age=limit),
    )


def known_laws(
    lives: Mapping[Kind, Sequence[Life]], catalogue: Catalogue
) -> Mapping[Kind, Weibull]:
    """Return the law of life of each kind of part of which some have failed in the records.

    With few failures the catalogue's expected life takes part. A kind without a failure, or with
    too few and no expected life, is left out.
    """
    laws: dict[Kind, Weibull] = {}
    for (part_type, duty), known in lives.items():
        if part_type in catalogue.part_types and any(life.failed for life in known):
            try:
                laws[part_type, duty] = fit_weibull(known, prior_of(part_type, duty, catalogue)).law
            except TooFewFailures:
                continue
    return laws
