"""Texts in another language: put together from what is known, English where nothing is."""

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from scheduler.catalogue import BoilerLayout, Catalogue, Dosing, EquipmentKind
from scheduler.catalogue_text import amended_catalogue, parse_catalogue
from scheduler.errors import InvalidCatalogue
from scheduler.jobs import job_for_rule
from scheduler.machines import Build, places_in
from scheduler.translations import Translator
from scheduler.triage import WHATEVER_IT_IS, callback_work, triage
from scheduler.worksheet import MachineWork, Worksheet, with_every_visit, worksheet_of
from seed_data.catalogue import load_catalogue

SHIPPED = load_catalogue()
FRENCH = SHIPPED.translator("fr")
SMALL = """
[cautions.hot]
text = "Hot."

[translations.fr]
cautions = { hot = { text = "Chaud." } }
texts = { "group" = "groupe", "Open: {what}" = "Ouvrir : {what}" }
"""


def test_texts_are_put_together_from_what_is_known() -> None:
    say = Translator(
        {
            "group": "groupe",
            "Top panel": "Capot",
            "Rebuild a valve": "Réviser une vanne",
            "Open: {what}": "Ouvrir : {what}",
            "Open: {what} at {place}": "Ouvrir à l’endroit {place} : {what}",
        }
    )
    assert say("Top panel") == "Capot"
    assert say("Open: Top panel") == "Ouvrir : Capot"
    assert say("Open: Top panel at group 2") == "Ouvrir à l’endroit groupe 2 : Capot"
    assert say("Rebuild a valve (group 1, group 2)") == "Réviser une vanne (groupe 1, groupe 2)"
    assert say("Open: Lid") == "Ouvrir : Lid"
    assert say("Unheard of (cellar)") == "Unheard of (cellar)"


def test_a_language_nobody_wrote_stays_english() -> None:
    assert SHIPPED.translator("it")("Heat up") == "Heat up"
    assert SHIPPED.translator("en")("Group gasket") == "Group gasket"


@pytest.mark.parametrize(
    ("old", "new", "flaw"),
    [
        ('{ hot = { text = "Chaud." } }', '{ cold = { text = "Froid." } }', "cautions has no cold"),
        ('text = "Chaud."', 'name = "Chaud"', "name: has no English text to stand for"),
        ("Ouvrir : {what}", "Ouvrir : {quoi}", r"must fill in \['what'\], got \['quoi'\]"),
    ],
)
def test_a_translation_of_nothing_is_refused(old: str, new: str, flaw: str) -> None:
    assert parse_catalogue({"f": SMALL}).translator("fr")("Hot.") == "Chaud."
    with pytest.raises(InvalidCatalogue, match=flaw):
        parse_catalogue({"f": SMALL.replace(old, new)})


def test_a_changed_entry_loses_its_old_translation() -> None:
    changed = amended_catalogue(parse_catalogue({"f": SMALL}), '[cautions.hot]\ntext = "Scalding."')
    say = changed.translator("fr")
    assert (say("Scalding."), say("Hot."), say("group 1")) == ("Scalding.", "Hot.", "groupe 1")


def texts_of(catalogue: Catalogue) -> set[str]:
    """Every English text of the catalogue that somebody may read."""
    rules = catalogue.rules.values()
    faults, symptoms = catalogue.faults.values(), catalogue.symptoms.values()
    named = (
        *(catalogue.skills, catalogue.features, catalogue.part_types, catalogue.rules),
        *(
            catalogue.set_points,
            catalogue.access_steps,
            catalogue.openings,
            catalogue.faults,
            catalogue.symptoms,
        ),
    )
    return {
        *(entry.name for table in named for entry in table.values()),
        *(caution.text for caution in catalogue.cautions.values()),
        *(step for rule in rules for step in rule.steps),
        *(tool for rule in rules for tool in rule.tools),
        *(position.place for position in catalogue.positions),
        *(fault.phone_fix for fault in faults if fault.phone_fix),
        *(symptom.question for symptom in symptoms),
        *(symptom.make_safe for symptom in symptoms if symptom.make_safe),
        WHATEVER_IT_IS,
    }


def test_the_whole_catalogue_is_there_in_french() -> None:
    assert {text for text in texts_of(SHIPPED) if FRENCH(text) == text} == set()


def test_what_is_translated_exists() -> None:
    """No French is left over from work or tools that are gone."""
    phrases = SHIPPED.translations["fr"].texts.keys()
    source = " ".join(texts_of(SHIPPED))
    sheets = [
        *(sheet_of_all(build) for build in BUILDS),
        worksheet_of([work_for(BUILDS[1], ["steam_valve_rebuild"])], SHIPPED),
        *(
            callback_sheet(build, symptom)
            for build in BUILDS
            for symptom in ("no_heat", "no_power")
        ),
        *(callback_sheet(build, "smell_of_burning") for build in BUILDS),
        worksheet_of(
            [replace(work_for(BUILDS[0], ["steam_pressure_check"]), unsafe=True)], SHIPPED
        ),
    ]
    spoken = source + " ".join(text for sheet in sheets for text in texts_in(sheet))
    stored = {"Fault not described"}  # the headline of a callback that says nothing
    unused = {p for p in phrases if "{" not in p and p not in spoken and p not in stored}
    assert unused == set()


BUILDS = [
    *(
        Build(
            kind=EquipmentKind.ESPRESSO_MACHINE,
            boiler_layout=layout,
            groups=groups,
            dosing=dosing,
            features=frozenset(features),
        )
        for layout, groups, dosing, features in (
            (
                BoilerLayout.SEPARATE_BOILERS,
                2,
                Dosing.VOLUMETRIC,
                {"pressure_switch", "mechanical_thermostat", "sight_glass", "statutory_inspection"},
            ),
            (
                BoilerLayout.HEAT_EXCHANGER,
                1,
                Dosing.SEMI_AUTOMATIC,
                {"pressure_sensor", "electronic_temperature", "steam_shut_off"},
            ),
        )
    ),
    Build(kind=EquipmentKind.GRINDER, features=frozenset({"flat_burrs"})),
    Build(kind=EquipmentKind.GRINDER, features=frozenset({"conical_burrs"})),
    Build(kind=EquipmentKind.WATER_FILTER, features=frozenset({"cartridge"})),
    Build(kind=EquipmentKind.WATER_FILTER, features=frozenset({"membrane"})),
]


def work_for(build: Build, rules: list[str]) -> MachineWork:
    places = places_in(build, SHIPPED)
    jobs = [
        job_for_rule(
            rule := SHIPPED.rules[name],
            build,
            SHIPPED,
            places=tuple(p.position for p in places if p.part_type == rule.part_type),
        )
        for name in rules
    ]
    return MachineWork(machine="m", build=build, jobs=with_every_visit(build, jobs, SHIPPED, rules))


def rules_for(build: Build) -> list[str]:
    parts = {place.part_type for place in places_in(build, SHIPPED)}
    return [
        rule.id
        for rule in SHIPPED.rules.values()
        if build.suits(rule.applies_to) and (rule.part_type is None or rule.part_type in parts)
    ]


def sheet_of_all(build: Build) -> Worksheet:
    return worksheet_of([work_for(build, rules_for(build))], SHIPPED)


def callback_sheet(build: Build, symptom: str) -> Worksheet:
    finding = triage([symptom], "", build, 5.0, SHIPPED)
    return worksheet_of([callback_work(finding, machine="m", build=build, callback="c")], SHIPPED)


def texts_in(sheet: Worksheet) -> set[str]:
    return {
        *(step.text for step in sheet.steps),
        *(step.because for step in sheet.steps),
        *(detail for step in sheet.steps for detail in step.details),
        *sheet.cautions,
        *sheet.tools,
        *(SHIPPED.part_types[part].name for part in sheet.parts),
        sheet.because,
    }


ENGLISH_WORDS = {"the", "and", "of", "step", "open", "close", "group", "machine's", "side", "with"}


def left_in_english(sheet: Worksheet) -> set[str]:
    """Texts that stayed as they were or still hold a word that only English has."""
    return {
        text
        for text in texts_in(sheet)
        if FRENCH(text) == text
        or ENGLISH_WORDS & set(FRENCH(text).lower().replace("(", " ").replace(",", " ").split())
    }


@settings(deadline=None, max_examples=40)
@given(st.data())
def test_worksheets_of_any_work_are_wholly_french(data: st.DataObject) -> None:
    build = data.draw(st.sampled_from(BUILDS))
    rules = data.draw(
        st.lists(st.sampled_from(rules_for(build)), min_size=1, max_size=8, unique=True)
    )
    assert left_in_english(worksheet_of([work_for(build, rules)], SHIPPED)) == set()


@pytest.mark.parametrize("build", BUILDS, ids=lambda build: f"{build.kind} {build.groups}")
def test_worksheets_of_callbacks_are_wholly_french(build: Build) -> None:
    for symptom in SHIPPED.symptoms:
        assert left_in_english(callback_sheet(build, symptom)) == set()
