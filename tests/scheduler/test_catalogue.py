"""The catalogue: entries that check themselves, and the trade's facts in the shipped files."""

import pytest

from scheduler.catalogue import (
    Action,
    AppliesTo,
    Authority,
    Catalogue,
    Counter,
    Interval,
    MachineState,
    ServiceRule,
    SetPoint,
    Symptom,
)
from scheduler.duty import months_at
from scheduler.errors import InvalidCatalogue
from seed_data.catalogue import load_catalogue


@pytest.fixture(scope="module")
def shipped() -> Catalogue:
    return load_catalogue()


def months(catalogue: Catalogue, rule: str, drinks_per_day: float) -> float | None:
    return months_at(catalogue.rules[rule].interval, drinks_per_day)


def test_every_flaw_of_an_entry_is_listed() -> None:
    with pytest.raises(InvalidCatalogue) as caught:
        SetPoint(id="p", name="P", unit="", low=2.0, high=1.0, source="x", stop_above=0.5)
    assert str(caught.value).splitlines() == [
        "unit: must not be empty",
        "high: must be above low 2.0, got 1.0",
        "stop_above: must be at least high 1.0, got 0.5",
    ]


def test_a_rule_must_say_when() -> None:
    with pytest.raises(InvalidCatalogue, match="interval: must say when"):
        ServiceRule(
            id="r",
            name="R",
            action=Action.CHECK,
            authority=Authority.PRACTICE,
            minutes=1,
            source="x",
        )


def test_statutory_work_must_stand_alone() -> None:
    with pytest.raises(InvalidCatalogue, match="alone: must be true"):
        ServiceRule(
            id="r",
            name="R",
            action=Action.INSPECT,
            authority=Authority.STATUTE,
            interval=Interval(months_by_drinks=((180, 12),)),
            minutes=1,
            source="x",
        )


def test_a_red_flag_must_say_what_to_do() -> None:
    with pytest.raises(InvalidCatalogue, match="make_safe: must say what to do at once"):
        Symptom(id="s", name="S", question="?", likelihoods={}, background=0.1, red_flag=True)


def test_a_feature_cannot_be_asked_for_and_excluded() -> None:
    with pytest.raises(InvalidCatalogue, match=r"without_features: .* \['bell'\]"):
        AppliesTo(features=frozenset({"bell"}), without_features=frozenset({"bell"}))


@pytest.mark.parametrize(
    ("counter", "counter_limit"), [(Counter.LITRES, None), (None, 100.0), (Counter.DRINKS, -1.0)]
)
def test_a_counter_and_its_limit_come_together(
    counter: Counter | None, counter_limit: float | None
) -> None:
    with pytest.raises(InvalidCatalogue, match="counter_limit"):
        Interval(counter=counter, counter_limit=counter_limit)


def test_drinks_must_rise_from_point_to_point() -> None:
    with pytest.raises(InvalidCatalogue, match="drinks must rise"):
        Interval(months_by_drinks=((180, 12), (180, 6)))


def test_rules_are_found_by_the_part_they_are_done_to(shipped: Catalogue) -> None:
    assert [rule.id for rule in shipped.rules_by_part["vacuum_relief_valve"]] == [
        "vacuum_relief_rebuild",
        "vacuum_relief_replace",
    ]


# Trade facts the shipped catalogue has to hold: common practice, no source, or from memory.


def test_steam_pressures_by_boiler_layout(shipped: Catalogue) -> None:
    separate = shipped.set_points["steam_pressure_separate"]
    exchanger = shipped.set_points["steam_pressure_exchanger"]
    lift = shipped.set_points["safety_valve_lift"]
    assert (separate.low, separate.high, separate.unit) == (1.4, 1.5, "bar")
    assert exchanger.low < 1.0 < exchanger.high < separate.low
    assert (lift.low, lift.high) == (1.8, 1.9)
    assert separate.stop_above == exchanger.stop_above == lift.low


def test_the_expansion_valve_is_set_during_the_reheat_at_every_visit(shipped: Catalogue) -> None:
    rule = shipped.rules["expansion_valve_set"]
    pressure = shipped.set_points["expansion_pressure"]
    assert (rule.every_visit, rule.during_reheat, rule.state) == (
        True,
        True,
        MachineState.ISOLATED_HOT,
    )
    assert (pressure.low, pressure.high) == (12.0, 13.0)
    assert rule.readings == ("expansion_pressure", "line_pressure")


def test_steam_valves_yearly_and_half_yearly_at_high_volume(shipped: Catalogue) -> None:
    assert [months(shipped, "steam_valve_rebuild", n) for n in (60, 180, 400)] == [12, 12, 6]
    assert shipped.rules["steam_valve_rebuild"].live_with == "steam_shut_off"
    assert shipped.rules["steam_valve_rebuild"].state is MachineState.COLD


def test_the_vacuum_relief_valve_is_rebuilt_yearly(shipped: Catalogue) -> None:
    assert months(shipped, "vacuum_relief_rebuild", 180) == 12


def test_the_safety_valve_goes_by_the_makers_year(shipped: Catalogue) -> None:
    rule = shipped.rules["steam_safety_valve_replace"]
    assert rule.authority is Authority.MAKER
    assert months(shipped, rule.id, 180) == 12
    assert rule.limit is not None
    assert (rule.limit.months, rule.limit.authority) == (36, Authority.MAKER)


def test_the_contactor_lasts_years_and_two_in_high_volume(shipped: Catalogue) -> None:
    assert [months(shipped, "heating_contactor_replace", n) for n in (60, 400)] == [84, 24]
    assert shipped.part_types["heating_contactor"].price_minor == 320_00
    assert shipped.part_types["pressure_switch"].price_minor == 60_00


def test_brew_valves_about_every_other_year_behind_the_shared_drain(shipped: Catalogue) -> None:
    rule = shipped.rules["brew_valve_rebuild"]
    assert months(shipped, rule.id, 180) == 24
    assert rule.access == ("front_valve_panel", "shared_drain")
    assert shipped.access_steps["front_valve_panel"].state is MachineState.COLD


def test_gaskets_and_screens_every_three_to_six_months(shipped: Catalogue) -> None:
    for rule in ("group_gasket_replace", "group_screen_replace"):
        assert [months(shipped, rule, n) for n in (60, 400)] == [6, 3]


def test_burrs_go_by_kilograms_and_filters_by_litres_and_the_year(shipped: Catalogue) -> None:
    assert shipped.rules["flat_burrs_replace"].interval.counter is Counter.KILOGRAMS
    assert shipped.rules["conical_burrs_replace"].interval.counter is Counter.KILOGRAMS
    assert shipped.rules["filter_cartridge_replace"].interval.counter is Counter.LITRES
    assert months(shipped, "filter_cartridge_replace", 180) == 12


def test_the_mechanical_thermostat_gives_way_to_an_electronic_controller(
    shipped: Catalogue,
) -> None:
    assert shipped.part_types["mechanical_thermostat"].superseded_by == "electronic_controller"
    assert shipped.rules["mechanical_thermostat_upgrade"].consumes == {
        "electronic_controller": 1,
        "temperature_probe": 1,
    }


def test_statutory_work_is_hard_and_apart(shipped: Catalogue) -> None:
    statutory = {
        rule.id: sorted(rule.skills)
        for rule in shipped.rules.values()
        if rule.authority is Authority.STATUTE
    }
    assert statutory == {
        "pressure_vessel_examination": ["pressure_examination"],
        "electrical_safety_test": ["electrical_test"],
    }


def test_each_danger_comes_with_advice_that_cuts_the_energy_off(shipped: Catalogue) -> None:
    flags = {symptom.id: symptom for symptom in shipped.symptoms.values() if symptom.red_flag}
    assert {
        "water_near_electrics",
        "safety_valve_lifts",
        "smell_of_burning",
        "supply_trips",
    } <= set(flags)
    for symptom in flags.values():
        assert symptom.make_safe is not None
        stop = ("switch off", "breaker", "protective switch off", "shut the gas", "serve nothing")
        assert any(words in symptom.make_safe.lower() for words in stop), symptom.id


def test_cold_work_on_boilers_warns_of_stored_steam(shipped: Catalogue) -> None:
    for rule in shipped.rules.values():
        if "pressure" in rule.skills and rule.state is MachineState.COLD:
            assert "stored_steam" in rule.cautions, rule.id


def test_electrical_work_warns_of_the_mains(shipped: Catalogue) -> None:
    for rule in shipped.rules.values():
        if "electrical" in rule.skills:
            assert "isolate_electricity" in rule.cautions, rule.id


def test_every_part_type_is_fitted_or_used(shipped: Catalogue) -> None:
    used = {position.part_type for position in shipped.positions}
    used |= {part for rule in shipped.rules.values() for part in rule.consumes}
    used |= {part for fault in shipped.faults.values() for part in fault.parts}
    assert set(shipped.part_types) - used == set()


def test_every_fault_shows_in_some_symptom(shipped: Catalogue) -> None:
    shown = {fault for symptom in shipped.symptoms.values() for fault in symptom.likelihoods}
    assert set(shipped.faults) - shown == set()


def test_no_rule_stays_silent_at_any_pace(shipped: Catalogue) -> None:
    for rule in shipped.rules.values():
        if not rule.every_visit:
            for drinks_per_day in (0.0, 60.0, 5000.0):
                assert (months(shipped, rule.id, drinks_per_day) or 0) > 0, rule.id
