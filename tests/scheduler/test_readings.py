"""Verdicts on readings and how values drift."""

from dataclasses import replace
from datetime import date

import pytest

from scheduler.catalogue import AppliesTo, BoilerLayout, SetPoint
from scheduler.errors import InvalidInput
from scheduler.readings import Drift, Reading, Stage, Verdict, drift, judge, set_points_for
from tests.scheduler.small_trade import CATALOGUE, TWO_GROUP, WITH_SHUT_OFFS

STEAM = SetPoint(
    id="steam",
    name="Steam pressure",
    unit="bar",
    low=0.95,
    high=1.05,
    stop_below=0.2,
    stop_above=1.8,
    source="invented for the tests",
    applies_to=AppliesTo(boiler_layouts=frozenset({BoilerLayout.HEAT_EXCHANGER})),
)


def read(
    value: float, *, stage: Stage = Stage.AS_FOUND, on: date = date(2027, 3, 1), unit: str = "bar"
) -> Reading:
    return Reading(set_point="steam", value=value, unit=unit, stage=stage, taken_on=on)


@pytest.mark.parametrize(
    ("value", "verdict", "because"),
    [
        (1.0, Verdict.OK, "Steam pressure 1 bar is right: 0.95 to 1.05 bar."),
        (0.95, Verdict.OK, "Steam pressure 0.95 bar is right: 0.95 to 1.05 bar."),
        (1.05, Verdict.OK, "Steam pressure 1.05 bar is right: 0.95 to 1.05 bar."),
        (1.2, Verdict.ADJUST, "Steam pressure 1.2 bar is too high: 0.95 to 1.05 bar."),
        (0.8, Verdict.ADJUST, "Steam pressure 0.8 bar is too low: 0.95 to 1.05 bar."),
        (1.8, Verdict.ADJUST, "Steam pressure 1.8 bar is too high: 0.95 to 1.05 bar."),
        (
            1.85,
            Verdict.STOP_AND_MAKE_SAFE,
            "Steam pressure 1.85 bar is above 1.8 bar: switch off and make safe.",
        ),
        (
            0.1,
            Verdict.STOP_AND_MAKE_SAFE,
            "Steam pressure 0.1 bar is below 0.2 bar: switch off and make safe.",
        ),
    ],
)
def test_verdicts(value: float, verdict: Verdict, because: str) -> None:
    judgement = judge(read(value), STEAM)
    assert (judgement.verdict, judgement.because) == (verdict, because)


@pytest.mark.parametrize(
    ("value", "stage", "expected"),
    [
        (1.2, Stage.AS_FOUND, False),  # the technician sets it right
        (1.2, Stage.AS_LEFT, True),
        (1.0, Stage.AS_LEFT, False),
        (1.9, Stage.AS_FOUND, True),
        (1.9, Stage.AS_LEFT, True),
    ],
)
def test_what_is_left_outside_its_range_becomes_work(
    value: float, stage: Stage, expected: bool
) -> None:
    assert judge(read(value, stage=stage), STEAM).needs_follow_up is expected


def test_a_reading_in_another_unit_of_another_thing_or_of_nothing_is_refused() -> None:
    with pytest.raises(InvalidInput, match=r"Steam pressure is read in bar, got 15\.0 psi"):
        judge(read(15.0, unit="psi"), STEAM)
    with pytest.raises(InvalidInput, match="must be a number, got nan"):
        judge(read(float("nan")), STEAM)
    other = Reading(
        set_point="brew", value=9, unit="bar", stage=Stage.AS_FOUND, taken_on=date(2027, 3, 1)
    )
    with pytest.raises(InvalidInput, match="a reading of brew is no steam"):
        judge(other, STEAM)


def test_a_hardness_may_be_read_in_any_unit_and_is_kept_in_that_of_its_set_point() -> None:
    hardness = replace(STEAM, unit="°dH", low=3, high=6, stop_below=None, stop_above=None)
    judgement = judge(read(80, unit="mg/L CaCO3"), hardness)
    # 1 °dH is 17.848 mg/L of CaCO3 (tests/published/test_hardness.py)
    assert judgement.reading.value == pytest.approx(80 / 17.848, rel=5e-5)
    assert (judgement.reading.unit, judgement.verdict) == ("°dH", Verdict.OK)
    assert judge(read(12, unit="°fH"), hardness).verdict is Verdict.ADJUST  # 6.72 °dH
    with pytest.raises(InvalidInput, match=r"in °dH or another of .*gpg, mg/L CaCO3, got 5\.0 ppm"):
        judge(read(5.0, unit="ppm"), hardness)
    with pytest.raises(InvalidInput, match=r"Steam pressure is read in bar, got 1\.0 °fH"):
        judge(read(1.0, unit="°fH"), STEAM)


def test_set_points_follow_the_build() -> None:
    trade = replace(CATALOGUE, set_points={**CATALOGUE.set_points, "steam": STEAM})
    brew, earth = (CATALOGUE.set_points[point] for point in ("brew_pressure", "earth"))
    assert set_points_for(TWO_GROUP, trade) == (brew, earth, STEAM)
    assert set_points_for(WITH_SHUT_OFFS, trade) == (brew, earth)  # separate boilers


# --- drift ------------------------------------------------------------------------------------


def test_a_drift_is_what_moved_between_visits() -> None:
    # 365.25 days are 12 months. Left at 1.00 on 1 March 2026, found at 1.02 on 1 March 2027 (365
    # days, 11.992 months) and set back to 1.00; found at 1.02 on 29 February 2028 (the same): 0.02
    # in 11.992 months. Left at 1.00, it has 0.05 to go, 912 days
    readings = [
        read(1.00, stage=Stage.AS_LEFT, on=date(2026, 3, 1)),
        read(1.02, on=date(2027, 3, 1)),
        read(1.00, stage=Stage.AS_LEFT, on=date(2027, 3, 1)),
        read(1.02, on=date(2028, 2, 29)),
        read(1.00, stage=Stage.AS_LEFT, on=date(2028, 2, 29)),
    ]
    found = drift(readings, STEAM)
    assert found == Drift(
        per_month=pytest.approx(0.02 / (365 / (365.25 / 12))),
        leaves_on=date(2030, 8, 29),
        because="Steam pressure moves by +0.0017 bar a month and leaves its range about "
        "2030-08-29.",
    )


def test_one_odd_value_makes_no_drift() -> None:
    readings = [
        read(value, on=date(2026, month, 1))
        for month, value in enumerate((1.0, 1.0, 1.0, 1.3, 1.0, 1.0), start=1)
    ]
    assert drift(readings, STEAM) == Drift(
        per_month=0, leaves_on=None, because="Steam pressure moves by +0 bar a month."
    )


def test_a_falling_value_leaves_by_the_lower_limit() -> None:
    found = drift([read(1.04, on=date(2026, 1, 1)), read(1.0, on=date(2026, 1, 31))], STEAM)
    assert found is not None
    # 0.04 in 30 days, so 0.05 in 37.5
    assert found.leaves_on == date(2026, 3, 9)


def test_one_visit_shows_no_drift() -> None:
    assert drift([], STEAM) is None
    assert drift([read(1.0), read(1.02, stage=Stage.AS_LEFT)], STEAM) is None
