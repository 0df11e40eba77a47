"""Values that cannot be meant are refused with a guess; what can be is left to the verdict."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from scheduler.catalogue import BoilerLayout, Counter, Dosing, EquipmentKind
from scheduler.errors import InvalidCatalogue, InvalidInput
from scheduler.machines import Build, MeterReading
from scheduler.plausibility import check_counter, check_possible, most_per_day
from scheduler.readings import Reading, Stage, Verdict, judge
from seed_data.catalogue import load_catalogue

CATALOGUE = load_catalogue()
TWO_GROUPS = Build(
    kind=EquipmentKind.ESPRESSO_MACHINE,
    boiler_layout=BoilerLayout.SEPARATE_BOILERS,
    groups=2,
    dosing=Dosing.VOLUMETRIC,
)
NOON = datetime(2027, 3, 1, 12, tzinfo=UTC)


def read(value: float, days_ago: float = 0, counter: Counter = Counter.DRINKS) -> MeterReading:
    return MeterReading(counter=counter, value=value, taken_at=NOON - timedelta(days=days_ago))


@pytest.mark.parametrize(
    ("set_point", "value", "guess"),
    [
        ("brew_pressure", 90, "with the point in its place it would be 9 bar"),
        ("brew_pressure", 130, "130 psi would be 8.96 bar"),  # 130 × 0.0689476
        ("brew_pressure", 900, "900 kPa would be 9 bar"),
        ("steam_pressure_separate", 145, "145 kPa would be 1.45 bar"),
        ("brew_temperature", 200, "200 °F would be 93.3 °C"),  # (200 − 32) / 1.8
        ("brew_temperature", 366, "366 K would be 92.9 °C"),
        ("treated_hardness", 80, "80 mg/L CaCO3 would be 4.48 °dH"),  # 80 / 17.848
        ("earth_resistance", 80, "80 milliohm would be 0.08 ohm"),
    ],
)
def test_a_value_no_instrument_shows_is_refused_with_a_guess(
    set_point: str, value: float, guess: str
) -> None:
    with pytest.raises(InvalidInput) as refused:
        check_possible(value, CATALOGUE.set_points[set_point])
    assert guess in str(refused.value)


def test_where_nothing_can_be_guessed_the_bounds_are_told() -> None:
    with pytest.raises(InvalidInput) as refused:
        check_possible(300, CATALOGUE.set_points["brew_temperature"])
    assert str(refused.value) == (
        "Brew water temperature at the group can be at most 130 °C, got 300 °C: read it again, "
        "and write 130 where the instrument is beyond its own range"
    )
    with pytest.raises(InvalidInput, match="can be at least 0 bar, got -1 bar"):
        check_possible(-1, CATALOGUE.set_points["brew_pressure"])


@pytest.mark.parametrize(
    ("set_point", "value"), [("brew_pressure", 15), ("brew_temperature", 104), ("line_pressure", 9)]
)
def test_what_is_far_out_but_possible_is_judged(set_point: str, value: float) -> None:
    point = CATALOGUE.set_points[set_point]
    check_possible(value, point)
    reading = Reading(
        set_point=set_point,
        value=value,
        unit=point.unit,
        stage=Stage.AS_FOUND,
        taken_on=NOON.date(),
    )
    stops = point.stop_above is not None
    expected = Verdict.STOP_AND_MAKE_SAFE if stops else Verdict.ADJUST
    assert judge(reading, point).verdict is expected


def test_every_set_point_says_what_is_possible_and_it_holds_its_limits() -> None:
    for point in CATALOGUE.set_points.values():
        assert point.possible_low is not None, point.id
        assert point.possible_high is not None, point.id
    point = CATALOGUE.set_points["brew_pressure"]
    with pytest.raises(InvalidCatalogue, match=r"possible_high: must be at least 14.0, got 10"):
        replace(point, possible_high=10.0)
    with pytest.raises(InvalidCatalogue, match=r"possible_low: must be at most 8.5, got 9"):
        replace(point, possible_low=9.0)


def test_the_most_a_machine_can_do_follows_from_its_groups() -> None:
    # two drinks a minute and group: 2 × 60 × 24 × 2 groups; 0.75 brew cycles a drink
    assert most_per_day(TWO_GROUPS, Counter.DRINKS, CATALOGUE) == 5760
    assert most_per_day(TWO_GROUPS, Counter.BREW_CYCLES, CATALOGUE) == 4320


def test_a_counter_that_rises_faster_than_the_machine_can_is_refused() -> None:
    before = read(100_000, days_ago=10)
    check_counter(
        read(157_600), TWO_GROUPS, CATALOGUE, before=[before]
    )  # 5760 a day, just possible
    with pytest.raises(InvalidInput, match="the machine can do 5760 a day; a digit too many"):
        check_counter(read(157_601), TWO_GROUPS, CATALOGUE, before=[before])
    # read into the past, it must not be above what came after by more than a reset explains
    with pytest.raises(InvalidInput, match="rose from 10 on 2027-02-28 to 99000 on 2027-03-01"):
        check_counter(read(10, days_ago=1), TWO_GROUPS, CATALOGUE, after=read(99_000))


def test_a_reset_counter_and_two_readings_of_one_visit_are_believed() -> None:
    check_counter(read(12), TWO_GROUPS, CATALOGUE, before=[read(240_000, days_ago=60)])
    check_counter(read(100_040), TWO_GROUPS, CATALOGUE, before=[read(100_000, days_ago=0.001)])


def test_no_counter_shows_more_than_a_machine_does_in_forty_years() -> None:
    most = 5760 * 40 * 365
    check_counter(read(most), TWO_GROUPS, CATALOGUE)
    with pytest.raises(InvalidInput, match="at most after forty years"):
        check_counter(read(most + 1), TWO_GROUPS, CATALOGUE)


def test_a_drop_that_is_carried_on_from_before_it_was_a_slip_and_blocks_nothing() -> None:
    before = [read(184_220, days_ago=10), read(18_444, days_ago=5)]
    check_counter(read(184_900), TWO_GROUPS, CATALOGUE, before=before)
    # after a real reset the counter starts again from there
    check_counter(read(19_000), TWO_GROUPS, CATALOGUE, before=before)
    with pytest.raises(InvalidInput, match="rose from 18444"):
        check_counter(read(900_000), TWO_GROUPS, CATALOGUE, before=before)
