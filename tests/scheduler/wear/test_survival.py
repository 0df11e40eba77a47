"""The product-limit curve, worked out by hand."""

import pytest

from scheduler.wear.lives import End, Life
from scheduler.wear.survival import SurvivalCurve, kaplan_meier


def test_curve_of_five_lives() -> None:
    # failures at 2 and 5, cut short at 3, 5 and 8. At 2: 5 at risk, 4/5. At 5: three at risk, the
    # one cut short at 5 among them: 4/5 * 2/3 = 8/15
    lives = [
        Life(age=2, end=End.FAILED),
        Life(age=3, end=End.REPLACED),
        Life(age=5, end=End.FAILED),
        Life(age=5, end=End.RUNNING),
        Life(age=8, end=End.RUNNING),
    ]
    curve = kaplan_meier(lives)
    assert [(s.age, s.at_risk, s.failures, s.survival) for s in curve.steps] == [
        (2, 5, 1, pytest.approx(4 / 5)),
        (5, 3, 1, pytest.approx(8 / 15)),
    ]
    assert curve.censored_ages == (3, 5, 8)
    assert [curve.survival_at(age) for age in (0, 1.9, 2, 4.9, 5, 99)] == pytest.approx(
        [1, 1, 0.8, 0.8, 8 / 15, 8 / 15]
    )
    assert curve.median is None


def test_a_part_is_at_risk_only_where_it_was_watched() -> None:
    # the part known from 4 on says nothing about the failure at 3, and had the other been known
    # from 3 on only, it would not either: to be at risk it must have been seen before
    lives = [
        Life(age=3, end=End.FAILED),
        Life(age=6, end=End.FAILED, known_from=4),
        Life(age=7, end=End.FAILED),
    ]
    assert [(s.age, s.at_risk, s.survival) for s in kaplan_meier(lives).steps] == [
        (3, 2, 0.5),
        (6, 2, 0.25),
        (7, 1, 0.0),
    ]
    lives[2] = Life(age=7, end=End.FAILED, known_from=3)
    assert [step.at_risk for step in kaplan_meier(lives).steps] == [1, 2, 1]


def test_no_failures_give_no_steps() -> None:
    assert kaplan_meier([Life(age=3, end=End.RUNNING)]) == SurvivalCurve(
        steps=(), censored_ages=(3,)
    )
