"""Edits laid over the files' catalogue: by key, in order, never against law, maker or safety."""

import pytest

from scheduler.catalogue import Catalogue
from scheduler.catalogue_edits import CatalogueEdit, edited_catalogue, without_edit
from scheduler.catalogue_text import parse_catalogue
from scheduler.errors import InvalidCatalogue

FILE = """
[skills.espresso]
name = "Espresso"

[skills.examination]
name = "Competent person"

[cautions.steam]
text = "Let it cool."

[part_types.gasket]
name = "Gasket"
price_minor = 200
lead_days = 2
source = "invented"

[part_types.valve]
name = "Valve"
price_minor = 6000
lead_days = 3
source = "invented"

[features.boiler_law]
name = "Falls under the law"

[rules.gasket]
name = "Replace the gasket"
part_type = "gasket"
action = "replace"
authority = "practice"
interval = { months_by_drinks = [[60, 6], [400, 3]] }
minutes = 6
consumes = { gasket = 1 }
state = "isolated_hot"
cautions = ["steam"]
source = "invented"

[rules.valve]
name = "Replace the valve"
part_type = "valve"
action = "replace"
authority = "maker"
interval = { months_by_drinks = [[180, 12]] }
limit = { months = 36, authority = "maker", source = "invented" }
minutes = 20
consumes = { valve = 1 }
skills = ["espresso"]
source = "invented"

[rules.valve_check]
name = "Check the valve"
part_type = "valve"
action = "check"
authority = "practice"
interval = { months_by_drinks = [[180, 6]] }
minutes = 5
source = "invented"

[rules.cartridge]
name = "Rinse the cartridge"
action = "clean"
authority = "maker"
interval = { months_by_drinks = [[100, 12], [400, 6]], counter = "litres", counter_limit = 8000 }
minutes = 5
source = "invented"

[rules.examination]
name = "Examination"
action = "inspect"
authority = "statute"
applies_to = { features = ["boiler_law"] }
interval = { months_by_drinks = [[180, 12]] }
alone = true
minutes = 75
skills = ["examination"]
source = "invented"

[set_points.pressure]
name = "Pressure"
unit = "bar"
low = 1.0
high = 1.5
stop_above = 1.8
source = "invented"

[set_points.seconds]
name = "Seconds"
unit = "s"
low = 22
high = 30
source = "invented"

[faults.leak]
name = "It leaks"
per_machine_year = 0.5
minutes = 20
source = "invented"

[symptoms.steam_everywhere]
name = "Steam everywhere"
question = "Is there steam?"
background = 0.01
red_flag = true
make_safe = "Switch it off."
likelihoods = { leak = 0.5 }

[[use_per_drink]]
counter = "litres"
amount = 0.1
source = "invented"
"""


@pytest.fixture(scope="module")
def shipped() -> Catalogue:
    return parse_catalogue({"trade.toml": FILE})


def edit(name: str, text: str) -> CatalogueEdit:
    return CatalogueEdit(id=name, text=text)


def test_only_the_keys_named_change_and_newer_files_go_on_to_count(shipped: Catalogue) -> None:
    edits = [edit("e1", "[rules.gasket]\nminutes = 9\n")]
    assert edited_catalogue(shipped, edits).catalogue.rules["gasket"].minutes == 9

    newer = parse_catalogue({"trade.toml": FILE.replace("[400, 3]", "[400, 2]")})
    rule = edited_catalogue(newer, edits).catalogue.rules["gasket"]
    assert (rule.minutes, rule.interval.months_by_drinks) == (9, ((60.0, 6.0), (400.0, 2.0)))


def test_a_later_edit_is_laid_over_an_earlier_one(shipped: Catalogue) -> None:
    edits = [
        edit("e1", "[rules.gasket]\nminutes = 9\nskills = ['espresso']\n"),
        edit("e2", "[rules.gasket]\nminutes = 7\n[skills.water]\nname = 'Filters'\n"),
        edit("e3", "[rules.gasket]\nskills = ['water']\n"),
    ]
    rule = edited_catalogue(shipped, edits).catalogue.rules["gasket"]
    assert (rule.minutes, rule.skills) == (7, {"water"})


def test_french_stays_unless_the_english_changes(shipped: Catalogue) -> None:
    french = parse_catalogue(
        {
            "trade.toml": FILE,
            "french.toml": """
            [translations.fr.rules]
            gasket.name = "Remplacer le joint"
            valve.name = "Remplacer la soupape"
            [translations.fr.skills]
            espresso.name = "Machines à café"
            """,
        }
    )
    edits = [
        edit("e1", "[rules.gasket]\nminutes = 9\n[rules.valve]\nname = 'Renew the valve'\n"),
        edit("e2", "[skills.water]\nname = 'Filters'\n"),
        edit("e3", "[translations.fr.skills]\nwater.name = 'Filtres'\n"),
    ]

    edited = edited_catalogue(french, edits)

    assert edited.passed_over == {}
    say = edited.catalogue.translator("fr")
    assert [say(text) for text in ("Replace the gasket", "Renew the valve", "Filters")] == [
        "Remplacer le joint",
        "Renew the valve",
        "Filtres",
    ]
    assert say("Espresso") == "Machines à café"


def test_an_edit_that_no_longer_fits_is_passed_over_and_the_others_count(
    shipped: Catalogue,
) -> None:
    edits = [
        edit("e1", "[skills.water]\nname = 'Filters'\n"),
        edit("e2", "[part_types.gasket]\nsuperseded_by = 'valve'\nsuperseded_because = 'seals'\n"),
        edit("e3", "[rules.valve_check]\nskills = ['water']\nminutes = 4\n"),
    ]
    # newer files know a valve that is itself superseded by the gasket: a circle
    newer = parse_catalogue(
        {
            "trade.toml": FILE.replace("consumes = { valve = 1 }", "consumes = { gasket = 1 }")
            .replace(
                '"Valve"\n', '"Valve"\nsuperseded_by = "gasket"\nsuperseded_because = "newer"\n'
            )
        }
    )  # fmt: skip

    edited = edited_catalogue(newer, edits)

    assert list(edited.passed_over) == ["e2"]
    assert "part_types.gasket.superseded_by: leads back to gasket in a circle" in str(
        edited.passed_over["e2"][0]
    )
    assert edited.catalogue.part_types["gasket"].superseded_by is None
    assert edited.catalogue.rules["valve_check"].minutes == 4


def test_every_flaw_of_an_edit_is_named_with_table_and_key(shipped: Catalogue) -> None:
    wrong = "[rules.gasket]\nminutes = -9\ncautions = ['stem']\n[skills.x]\nnames = 'X'\n"
    with pytest.raises(InvalidCatalogue) as caught:
        edited_catalogue(shipped, ()).amended(wrong)
    assert [str(flaw) for flaw in caught.value.flaws] == [
        "change line 2, rules.gasket.minutes: must be > 0, got -9.0",
        "change line 5, skills.x.names: is not known; known are id, name",
        "change line 4, skills.x.name: is missing",
    ]


def test_an_entry_keeps_the_id_of_its_table(shipped: Catalogue) -> None:
    with pytest.raises(InvalidCatalogue, match="must be 'gasket' as in the name of its table"):
        edited_catalogue(shipped, ()).amended("[rules.gasket]\nid = 'other'\n")


@pytest.mark.parametrize(
    ("text", "flaw"),
    [
        (
            "[rules.valve]\nlimit = { months = 48, authority = 'maker', source = '-' }",
            "rules.valve.limit.months: the maker allows 36 at most, got 48",
        ),
        (
            "[rules.valve]\nauthority = 'practice'",
            "rules.valve.authority: must stay maker, got practice",
        ),
        ("[rules.valve]\nskills = []", "rules.valve.skills: must keep espresso"),
        (
            "[rules.valve]\nfrom_age_years = 5",
            "rules.valve.from_age_years: the maker allows 0 at most, got 5",
        ),
        (
            # longer at 400 drinks only, so that its longest interval stays what it was
            "[rules.cartridge.interval]\nmonths_by_drinks = [[100, 12], [400, 9]]\n"
            "counter = 'litres'\ncounter_limit = 8000",
            "rules.cartridge.interval.months_by_drinks: at 400 drinks a day the maker asks for "
            "6 months at most, got 9",
        ),
        (
            "[rules.cartridge.interval]\nmonths_by_drinks = [[100, 12], [400, 6]]",
            "rules.cartridge.interval.counter: must stay litres, got None",
        ),
        (
            "[rules.cartridge.interval]\nmonths_by_drinks = [[100, 12], [400, 6]]\n"
            "counter = 'litres'\ncounter_limit = 9000",
            "rules.cartridge.interval.counter_limit: the maker allows 8000 at most, got 9000",
        ),
        (
            "[rules.examination]\napplies_to = { kinds = ['grinder'] }",
            "rules.examination.applies_to: must stay as it is: the statute asks for the work",
        ),
        (
            "[rules.valve_check]\nrestarts = ['valve']",
            "rules.valve_check.restarts: valve is asked for by the maker: no other work may be "
            "added that makes it good",
        ),
        ("[rules.gasket]\ncautions = []", "rules.gasket.cautions: must keep steam"),
        (
            "[rules.gasket]\nstate = 'live'",
            "rules.gasket.state: must be isolated_hot or safer, got live",
        ),
        (
            "[set_points.pressure]\nstop_above = 2.5",
            "set_points.pressure.stop_above: must be at most 1.8 for safety, got 2.5",
        ),
        (
            "[set_points.seconds]\nunit = 'min'",
            "set_points.seconds.unit: must stay s: values are on record; add another set-point",
        ),
        (
            "[symptoms.steam_everywhere]\nred_flag = false",
            "symptoms.steam_everywhere.red_flag: must stay true: the symptom is a danger to people",
        ),
    ],
)
def test_what_law_maker_or_safety_asks_for_is_not_relaxed(
    shipped: Catalogue, text: str, flaw: str
) -> None:
    with pytest.raises(InvalidCatalogue) as caught:
        edited_catalogue(shipped, ()).amended(text)
    assert [str(each) for each in caught.value.flaws] == [flaw]


@pytest.mark.parametrize(
    "text",
    [
        "[rules.valve]\nlimit = { months = 24, authority = 'statute', source = '-' }",
        "[rules.valve]\ninterval = { months_by_drinks = [[180, 30]] }",  # within the limit
        "[rules.valve]\nskills = ['espresso', 'examination']\nstate = 'cold'",
        "[rules.cartridge.interval]\nmonths_by_drinks = [[100, 6]]\ncounter = 'litres'\n"
        "counter_limit = 6000",
        "[rules.gasket]\ncautions = ['steam']\nstate = 'cold'\nauthority = 'maker'",
        "[set_points.pressure]\nstop_above = 1.7\nhigh = 1.4",
    ],
)
def test_stricter_is_allowed(shipped: Catalogue, text: str) -> None:
    assert edited_catalogue(shipped, ()).amended(text).catalogue != shipped


def test_a_limit_the_company_added_is_held_to_and_one_it_tightened_may_go_back(
    shipped: Catalogue,
) -> None:
    tightened = edited_catalogue(shipped, ()).amended(
        "[rules.valve]\nlimit = { months = 20, authority = 'maker', source = '-' }\n"
    )
    assert tightened.amended(
        "[rules.valve]\nlimit = { months = 36, authority = 'maker', source = '-' }\n"
    )
    added = tightened.amended(
        "[rules.flush]\nname = 'Flush'\naction = 'clean'\nauthority = 'maker'\nminutes = 3\n"
        "source = '-'\ninterval = { months_by_drinks = [[180, 2]] }\n"
    )
    with pytest.raises(InvalidCatalogue, match="the maker asks for 2 months at most, got 3"):
        added.amended("[rules.flush]\ninterval = { months_by_drinks = [[180, 3]] }\n")


def test_an_edit_others_rest_on_is_not_taken_back(shipped: Catalogue) -> None:
    edits = [
        edit("e1", "[skills.water]\nname = 'Filters'\n"),
        edit("e2", "[rules.gasket]\nskills = ['water']\n"),
    ]
    with pytest.raises(InvalidCatalogue) as caught:
        without_edit(shipped, edits, "e1")
    assert [str(flaw) for flaw in caught.value.flaws] == [
        "e2 line 2, rules.gasket.skills: skills has no water "
        "(edit e2 rests on it: take that back first)"
    ]
    assert without_edit(shipped, edits, "e2").catalogue.rules == shipped.rules
    assert without_edit(shipped, edits[:1], "e1").catalogue == shipped
