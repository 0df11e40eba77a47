from dataclasses import replace

import pytest

from scheduler.catalogue import Authority, Catalogue, ExpectedLife, Limit
from scheduler.duty import DutyClass
from scheduler.errors import NeverRenewed, TooFewFailures, UnknownReference
from scheduler.wear.lives import End, Life
from scheduler.wear.part_wear import (
    DAYS_PER_MONTH,
    FailurePolicy,
    known_laws,
    part_wear,
    prior_of,
    renewing_rule,
)
from scheduler.wear.replacement import ReplacementCosts, Verdict
from scheduler.wear.weibull import Prior, Weibull, fit_weibull
from tests.scheduler.small_trade import CATALOGUE

FAILED = tuple(Life(age=age, end=End.FAILED) for age in (300, 350, 400, 420, 440, 460, 480, 500))
RUNNING = tuple(Life(age=age, end=End.RUNNING) for age in (100, 200, 300))


def expecting(part_type: str, shape: float, months: float) -> Catalogue:
    life = ExpectedLife(shape=shape, months=months, source="invented")
    part = replace(CATALOGUE.part_types[part_type], life=life)
    return replace(CATALOGUE, part_types={**CATALOGUE.part_types, part_type: part})


def test_costs_are_the_work_and_what_comes_with_a_visit_or_a_failure() -> None:
    policy = FailurePolicy(
        hour_rate_minor=6000,
        visit_share_minor=1000,
        emergency_visit_minor=10_000,
        lost_sales_hour_minor=5000,
        hours_down=2,
        damage_minor=500,
    )
    wear = part_wear("steam_valve", DutyClass.STANDARD, FAILED, CATALOGUE, policy)
    # a kit of 15.00 and a quarter of an hour at 60.00: 30.00
    assert wear.work_minor == 3000
    assert wear.costs == ReplacementCosts(
        planned_minor=3000 + 1000, failure_minor=3000 + 10_000 + 2 * 5000 + 500
    )
    assert wear.rule == "rebuild_steam_valve"
    assert wear.advice.verdict is Verdict.REPLACE_AT_AGE
    assert wear.because == f"{wear.advice.because} {wear.fit.because}"


def test_without_failures_the_expected_life_speaks_and_says_so() -> None:
    catalogue = expecting("steam_valve", 2.0, 24)
    wear = part_wear("steam_valve", DutyClass.STANDARD, RUNNING, catalogue, FailurePolicy())
    assert wear.fit.prior == Prior(law=Weibull(shape=2.0, scale=24 * DAYS_PER_MONTH))
    assert "none has failed yet" in wear.because
    assert "an assumed shape of 2" in wear.because


def test_too_few_failures_and_no_expected_life_is_no_law() -> None:
    for lives in ((), RUNNING):
        with pytest.raises(TooFewFailures):
            part_wear("steam_valve", DutyClass.STANDARD, lives, CATALOGUE, FailurePolicy())


def test_a_part_without_a_renewing_rule_or_unknown_is_refused() -> None:
    assert renewing_rule("steam_valve_kit", CATALOGUE) is None
    with pytest.raises(NeverRenewed):
        part_wear("steam_valve_kit", DutyClass.STANDARD, FAILED, CATALOGUE, FailurePolicy())
    with pytest.raises(UnknownReference):
        part_wear("spring", DutyClass.STANDARD, FAILED, CATALOGUE, FailurePolicy())


def test_a_limit_of_the_maker_wins_over_a_longer_best_age() -> None:
    rule = CATALOGUE.rules["rebuild_steam_valve"]
    limited = replace(rule, limit=Limit(months=12, authority=Authority.MAKER, source="invented"))
    catalogue = replace(CATALOGUE, rules={**CATALOGUE.rules, rule.id: limited})
    lives = [Life(age=10 * life.age, end=life.end) for life in FAILED]  # eight to fourteen years
    wear = part_wear("steam_valve", DutyClass.STANDARD, lives, catalogue, FailurePolicy())
    assert wear.limit_days == 12 * DAYS_PER_MONTH
    assert (wear.advice.limited, wear.advice.age) == (True, wear.limit_days)


def test_the_expected_life_is_that_of_standard_duty_where_the_interval_does_not_vary() -> None:
    catalogue = expecting("steam_valve", 2.0, 24)
    for duty in DutyClass:
        prior = prior_of("steam_valve", duty, catalogue)
        assert prior is not None
        assert prior.law.scale == pytest.approx(24 * DAYS_PER_MONTH)
    assert prior_of("brew_valve", DutyClass.HIGH, catalogue) is None


def test_known_laws_are_those_with_failures() -> None:
    kind = ("steam_valve", DutyClass.STANDARD)
    lives = {kind: FAILED, ("brew_valve", DutyClass.STANDARD): RUNNING}
    assert known_laws(lives, CATALOGUE) == {kind: fit_weibull(FAILED).law}
