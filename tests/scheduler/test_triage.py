"""From a caller's report to what to send."""

from dataclasses import replace
from datetime import date
from itertools import chain, combinations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from scheduler.catalogue import BoilerLayout, Dosing, EquipmentKind, MachineState
from scheduler.company import Urgency
from scheduler.errors import InvalidInput, UnknownReference
from scheduler.machines import Build, Machine
from scheduler.triage import LikelyFault, callback_worksheet, learned_rate, triage
from scheduler.visit_steps import StepKind
from seed_data.catalogue import load_catalogue
from tests.scheduler.small_trade import CATALOGUE, TWO_GROUP, machine

FIVE_YEARS = 5.0  # at which age does not change the rates
MAKE_SAFE = "Switch it off at the wall if that is safe, and keep people away."


def probabilities(*symptoms: str, age_years: float = FIVE_YEARS) -> dict[str, float]:
    finding = triage(symptoms, "", TWO_GROUP, age_years, CATALOGUE)
    return {likely.fault: likely.probability for likely in finding.likely_faults}


def test_posterior_is_rate_times_likelihood() -> None:
    # contactor 0.10 x 0.9 = 0.0900, switch 0.20 x 0.3 = 0.0600, tap 0.05 x 0.01 = 0.0005,
    # gasket 0.15 x 0.01 = 0.0015; together 0.152
    assert probabilities("no_heat") == {
        "contactor_burnt": pytest.approx(0.0900 / 0.152),
        "switch_scaled": pytest.approx(0.0600 / 0.152),
        # gasket 0.0099 and tap 0.0033 are under one in a hundred and not listed
    }


def test_finding_says_what_to_send() -> None:
    finding = triage(["no_heat"], "", TWO_GROUP, FIVE_YEARS, CATALOGUE)
    assert finding.urgency is Urgency.STOPPED
    assert finding.symptoms == ("no_heat",)
    assert finding.state is MachineState.COLD
    assert finding.skills == {"electric"}
    # Contactor (0.592) alone does not reach 0.8; with the switch 0.987, with the tap 0.990.
    assert finding.parts == {"contactor": 1, "pressure_switch": 1}
    assert finding.parts_cover == pytest.approx(0.1505 / 0.152)  # a shut tap needs none
    # Sorted by minutes: gasket and tap 10, switch 30 (0.408 so far), contactor 40.
    assert finding.mending_minutes == 40
    assert finding.next_question == "pressure_swings"
    assert finding.make_safe == ()
    assert finding.because == "Does not heat: most likely Heating contactor burnt (59%)."
    # Arrive 5, as found 2, find 15, shut down 5, cool 30, zero gauge 4, mend 40, refit 2,
    # refill 5, power 2, bleed 2, heat 25, check 3 + 2, hand over 4; paperwork during the cooling.
    assert finding.minutes == 146


def test_answer_changes_the_ranking() -> None:
    finding = triage(
        ["no_heat"], "", TWO_GROUP, FIVE_YEARS, CATALOGUE, answers={"pressure_swings": True}
    )
    # contactor 0.09 x 0.05, switch 0.06 x 0.8, tap 0.0005 x 0.05, gasket 0.0015 x 0.05
    total = 0.0045 + 0.048 + 0.000025 + 0.000075
    assert finding.likely_faults[0] == LikelyFault(
        fault="switch_scaled",
        name="Pressure switch scaled up",
        probability=pytest.approx(0.048 / total),
        phone_fix=None,
    )
    assert finding.symptoms == ("no_heat", "pressure_swings")


def test_answer_no_counts_against() -> None:
    finding = triage(
        ["no_heat"], "", TWO_GROUP, FIVE_YEARS, CATALOGUE, answers={"pressure_swings": False}
    )
    # contactor 0.09 x 0.95, switch 0.06 x 0.2, tap 0.0005 x 0.95, gasket 0.0015 x 0.95
    assert finding.likely_faults[0].probability == pytest.approx(0.0855 / (0.0855 + 0.012 + 0.0019))
    assert finding.symptoms == ("no_heat",)


def test_phone_fix_comes_with_its_fault() -> None:
    finding = triage([], "No water at all!", TWO_GROUP, FIVE_YEARS, CATALOGUE)
    assert finding.symptoms == ("no_water",)
    # tap 0.05 x 0.95 = 0.0475 against 0.45 x 0.02 = 0.009
    assert finding.likely_faults[0] == LikelyFault(
        fault="tap_shut",
        name="Water tap left shut",
        probability=pytest.approx(0.0475 / 0.0565),
        phone_fix="Open the water tap under the counter.",
    )
    assert finding.state is MachineState.LIVE


def test_old_machine_has_more_worn_parts() -> None:
    new = triage(["no_water"], "", TWO_GROUP, 0.0, CATALOGUE).likely_faults[0]
    old = triage(["no_water"], "", TWO_GROUP, 20.0, CATALOGUE).likely_faults[0]
    # The tap is no part; worn parts count half as much at age 0, twice at 20.
    assert new.probability == pytest.approx(0.0475 / (0.0475 + 0.0045))
    assert old.probability == pytest.approx(0.0475 / (0.0475 + 0.018))


@given(
    st.sets(st.sampled_from(sorted(CATALOGUE.symptoms.keys() - {"burning_smell"}))),
    st.sampled_from(["", "no smoke at all, everything fine", "drips"]),
    st.dictionaries(st.sampled_from(sorted(CATALOGUE.symptoms)), st.booleans()),
)
def test_red_flag_is_danger_whatever_the_rest_says(
    others: set[str], text: str, answers: dict[str, bool]
) -> None:
    finding = triage(
        [*others, "burning_smell"], text, TWO_GROUP, FIVE_YEARS, CATALOGUE, answers=answers
    )
    assert finding.urgency is Urgency.DANGER
    assert finding.make_safe == (MAKE_SAFE,)
    assert finding.state is MachineState.COLD
    assert {likely.phone_fix for likely in finding.likely_faults} == {None}


@given(st.sets(st.sampled_from(sorted(CATALOGUE.symptoms))))
def test_next_question_has_not_been_asked(symptoms: set[str]) -> None:
    finding = triage(sorted(symptoms), "", TWO_GROUP, FIVE_YEARS, CATALOGUE)
    assert finding.next_question not in symptoms


def test_nothing_recognised_brings_no_parts_and_says_so() -> None:
    finding = triage([], "it is odd", TWO_GROUP, FIVE_YEARS, CATALOGUE)
    assert finding.symptoms == ()
    assert finding.urgency is Urgency.IMPAIRED
    assert finding.parts == {}
    assert finding.next_question is not None
    assert finding.because.startswith("No symptom was recognised in the report")


def test_unknown_symptom_lists_the_known_ones() -> None:
    with pytest.raises(UnknownReference) as unknown:
        triage(["no_heta"], "", TWO_GROUP, FIVE_YEARS, CATALOGUE)
    assert unknown.value.kind == "symptom"
    assert unknown.value.key == "no_heta"
    assert unknown.value.known == (
        "burning_smell",
        "drips",
        "no_heat",
        "no_water",
        "pressure_swings",
    )


def test_impossible_numbers_are_refused() -> None:
    with pytest.raises(InvalidInput, match="age_years must be >= 0, got -1"):
        triage([], "", TWO_GROUP, -1.0, CATALOGUE)
    with pytest.raises(InvalidInput, match="share must be above 0 and at most 1, got 0"):
        triage([], "", TWO_GROUP, 1.0, CATALOGUE, share=0.0)
    with pytest.raises(UnknownReference, match="no fault 'gremlin'"):
        triage([], "", TWO_GROUP, 1.0, CATALOGUE, rates={"gremlin": 1.0})


def test_worksheet_of_a_callback_finds_then_mends() -> None:
    finding = triage(["drips"], "", TWO_GROUP, FIVE_YEARS, CATALOGUE)
    worksheet = callback_worksheet(finding, machine("left", TWO_GROUP), CATALOGUE, "call-7")
    work = [step for step in worksheet.steps if step.kind is StepKind.WORK]
    assert [(step.text, step.state, step.tasks) for step in work] == [
        ("Find the cause", MachineState.LIVE, ("call-7",)),
        ("Mend it", MachineState.ISOLATED_HOT, ("call-7",)),
    ]
    assert worksheet.minutes == finding.minutes
    assert worksheet.parts == finding.parts == {"group_gasket": 1}


def test_dangerous_machine_is_not_run_before_it_is_made_safe() -> None:
    finding = triage(["burning_smell"], "", TWO_GROUP, FIVE_YEARS, CATALOGUE)
    worksheet = callback_worksheet(finding, machine("left", TWO_GROUP), CATALOGUE, "call-8")
    kinds = [step.kind for step in worksheet.steps]
    safe = kinds.index(StepKind.ZERO_GAUGE)
    assert StepKind.WORK not in kinds[:safe]
    # mending takes longer than finding, and still comes after it
    work = [step.text for step in worksheet.steps if step.kind is StepKind.WORK]
    assert work == ["Find the cause", "Mend it"]
    assert {step.state for step in worksheet.steps[:safe] if step.machine} == {
        MachineState.ISOLATED_HOT,
        MachineState.COLD,
    }


def test_confirmed_causes_move_a_rate() -> None:
    fault = CATALOGUE.faults["contactor_burnt"]  # 0.1 a year: 2 in 20 machine-years
    assert learned_rate(fault, 0, 0.0) == pytest.approx(0.1)
    assert learned_rate(fault, 10, 20.0) == pytest.approx(12 / 40)
    with pytest.raises(InvalidInput, match="must be >= 0, got -1 and 3"):
        learned_rate(fault, -1, 3.0)
    with pytest.raises(InvalidInput, match="prior_machine_years must be > 0, got 0"):
        learned_rate(fault, 1, 3.0, prior_machine_years=0.0)


def test_probabilities_add_up_for_every_set_of_symptoms() -> None:
    known = sorted(CATALOGUE.symptoms)
    for symptoms in chain.from_iterable(combinations(known, n) for n in range(len(known) + 1)):
        listed = probabilities(*symptoms)
        # Each of four faults is left out only under 0.01.
        assert 0.96 < sum(listed.values()) <= 1 + 1e-9


SHIPPED = load_catalogue()
THREE_GROUPS = Build(
    kind=EquipmentKind.ESPRESSO_MACHINE,
    boiler_layout=BoilerLayout.HEAT_EXCHANGER,
    groups=3,
    dosing=Dosing.VOLUMETRIC,
    features=frozenset({"pressure_switch", "electronic_temperature"}),
)


def urgency(*symptoms: str, text: str = "", build: Build = THREE_GROUPS) -> Urgency:
    return triage(symptoms, text, build, FIVE_YEARS, SHIPPED).urgency


def test_what_is_only_a_nuisance_is_minor() -> None:
    assert urgency("hot_water_drips") is Urgency.MINOR
    assert urgency("looks_only", "steam_drips") is Urgency.MINOR
    assert urgency(text="the lamp above the cups is out") is Urgency.MINOR
    assert urgency("hot_water_drips", "steam_weak") is Urgency.IMPAIRED
    assert urgency(text="it does odd things") is Urgency.IMPAIRED  # not understood


def test_one_group_of_several_out_of_use_is_neither_a_stop_nor_a_nuisance() -> None:
    assert urgency("no_water_at_group") is Urgency.IMPAIRED
    assert urgency("no_water_at_group", build=replace(THREE_GROUPS, groups=1)) is Urgency.STOPPED
    assert urgency("no_water_at_all") is Urgency.STOPPED


@settings(max_examples=40)
@given(
    st.sets(st.sampled_from(sorted(SHIPPED.symptoms))), st.sampled_from(sorted(SHIPPED.symptoms))
)
def test_one_more_symptom_never_makes_a_report_less_urgent(seen: set[str], more: str) -> None:
    rank = list(Urgency).index
    if seen:
        assert rank(urgency(*seen, more)) <= rank(urgency(*seen))


@pytest.mark.parametrize(
    "text",
    [
        "I smell gas near the machine",
        "smells of gas!",
        "there is a strong gas smell",
        "ça sent le gaz",
        "odeur de gaz près du comptoir",
        "Es riecht nach Gas",
        "no smell of gas any more",
    ],
)
def test_gas_is_understood_and_answered_with_what_saves_lives(text: str) -> None:
    finding = triage([], text, THREE_GROUPS, FIVE_YEARS, SHIPPED)
    assert finding.symptoms == ("smell_of_gas",)
    assert finding.urgency is Urgency.DANGER
    assert all(likely.phone_fix is None for likely in finding.likely_faults)
    (advice,) = finding.make_safe
    for what in ("Switch nothing", "windows", "Shut the gas", "Get everybody out", "from outside"):
        assert what in advice
    assert "gas emergency service" in advice
    assert "Local rules come first" in advice


def test_gas_at_an_electric_machine_is_no_fault_of_it_and_nobody_is_asked_to_look() -> None:
    build = Build(
        kind=EquipmentKind.ESPRESSO_MACHINE,
        boiler_layout=BoilerLayout.HEAT_EXCHANGER,
        dosing=Dosing.VOLUMETRIC,
        groups=2,
    )
    finding = triage(["smell_of_gas"], "", build, FIVE_YEARS, load_catalogue())
    assert finding.urgency is Urgency.DANGER
    assert finding.likely_faults == ()
    assert finding.parts == {}
    assert finding.next_question is None
    assert finding.because == (
        "Danger: Smell of gas. Smell of gas: no known fault of such a machine shows that; the "
        "cause may lie outside it."
    )


def test_a_gas_fired_machine_gets_somebody_licensed_for_gas() -> None:
    burner = replace(THREE_GROUPS, features=THREE_GROUPS.features | {"gas_fired"})
    finding = triage(["smell_of_gas"], "", burner, FIVE_YEARS, SHIPPED)
    assert finding.likely_faults[0].fault == "gas_fitting_leaks"
    assert finding.skills == {"gas"}
    assert finding.cautions == ("gas",)
    unit = Machine(
        id="m",
        site="s",
        name="m",
        build=burner,
        installed_on=date(2024, 1, 1),
        drinks_per_day=100,
    )
    sheet = callback_worksheet(finding, unit, SHIPPED, "call")
    assert SHIPPED.cautions["gas"].text in sheet.cautions


@pytest.mark.parametrize("features", [set(), {"gas_fired"}])
@pytest.mark.parametrize("symptom", ["smell_of_gas", "burner_fumes"])
def test_who_arrives_where_it_smells_of_gas_is_warned_before_going_in(
    symptom: str, features: set[str]
) -> None:
    build = replace(THREE_GROUPS, features=THREE_GROUPS.features | features)
    finding = triage([symptom, "no_heat"], "", build, FIVE_YEARS, SHIPPED)
    unit = Machine(
        id="m",
        site="s",
        name="m",
        build=build,
        installed_on=date(2024, 1, 1),
        drinks_per_day=100,
    )
    arrive = callback_worksheet(finding, unit, SHIPPED, "call").steps[0]
    assert arrive.cautions == (SHIPPED.cautions["gas"].text,)
    burning = triage(["smell_of_burning"], "", build, FIVE_YEARS, SHIPPED)
    assert callback_worksheet(burning, unit, SHIPPED, "call").steps[0].cautions == ()


RED_FLAGS = {symptom.id for symptom in SHIPPED.symptoms.values() if symptom.red_flag}


def test_every_danger_the_trade_knows_is_a_red_flag() -> None:
    assert {
        "smell_of_gas",
        "burner_fumes",
        "bare_live_parts",
        "cleaner_in_drinks",
        "water_near_electrics",
        "safety_valve_lifts",
        "smell_of_burning",
        "supply_trips",
        "electric_shock",
        "scalding_leak",
        "steam_pressure_high",
    } == RED_FLAGS


@pytest.mark.parametrize("flag", sorted(RED_FLAGS))
@settings(max_examples=15)
@given(st.sets(st.sampled_from(sorted(SHIPPED.symptoms))), st.booleans())
def test_a_red_flag_is_danger_whatever_the_rest_says(
    flag: str, others: set[str], denied: bool
) -> None:
    answers = dict.fromkeys(others - {flag}, not denied)
    finding = triage([flag], "coffee is fine", THREE_GROUPS, FIVE_YEARS, SHIPPED, answers=answers)
    assert finding.urgency is Urgency.DANGER
    assert finding.make_safe
    leave = {s for s in finding.symptoms if SHIPPED.symptoms[s].leave_at_once}
    assert set(finding.make_safe) == {
        SHIPPED.symptoms[s].make_safe for s in (leave or RED_FLAGS & set(finding.symptoms))
    }
    assert finding.state is MachineState.COLD


def test_every_words_of_a_symptom_lead_to_it() -> None:
    for symptom in SHIPPED.symptoms.values():
        for words in symptom.words:
            assert symptom.id in triage([], words, THREE_GROUPS, FIVE_YEARS, SHIPPED).symptoms, (
                words
            )
