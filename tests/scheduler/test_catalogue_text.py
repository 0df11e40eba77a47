"""Reading the catalogue: what is right is typed, what is wrong is named with file, line and key."""

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from scheduler.catalogue import (
    Action,
    AppliesTo,
    Authority,
    Catalogue,
    Counter,
    EquipmentKind,
    Interval,
    Limit,
    MachineState,
    PartType,
    Position,
    ServiceRule,
    Skill,
    UsePerDrink,
)
from scheduler.catalogue_text import amended_catalogue, parse_catalogue
from scheduler.errors import InvalidCatalogue
from seed_data.catalogue import load_catalogue

TRADE = """\
[skills.pressure]
name = "Work on boilers"

[part_types.valve]
name = "Valve"
price_minor = 2600
lead_days = 2
source = "invented"

[[positions]]
part_type = "valve"
place = "steam boiler"
applies_to = { kinds = ["espresso_machine"] }

[[use_per_drink]]
counter = "litres"
amount = 0.12
source = "from memory"
"""

RULES = """\
# Rules.

[rules.valve_replace]
name = "Replace the valve"
part_type = "valve"
action = "replace"
authority = "maker"
minutes = 12
skills = ["pressure"]
consumes = { valve = 1 }
steps = [
    "Drain # not a comment, and [not a table]",
    '''Fit
and tighten''',
]
source = "from memory"
limit = { months = 36, authority = "maker", source = "from memory" }

[rules.valve_replace.interval]
months_by_drinks = [[60, 24], [400, 12.5]]
counter = "litres"
counter_limit = 50000
"""


def flaws_of(**files: str) -> list[str]:
    """The flaws of the two files above when some are replaced or added, by name."""
    texts = {"trade": TRADE, "rules": RULES} | files
    with pytest.raises(InvalidCatalogue) as caught:
        parse_catalogue({f"{name}.toml": text for name, text in texts.items()})
    flaws = str(caught.value).splitlines()
    return [re.sub("(not TOML): .*", r"\1", flaw) for flaw in flaws]  # Python's words may change


def test_files_become_one_typed_catalogue() -> None:
    assert parse_catalogue({"trade.toml": TRADE, "rules.toml": RULES}) == Catalogue(
        skills={"pressure": Skill(id="pressure", name="Work on boilers")},
        part_types={
            "valve": PartType(
                id="valve", name="Valve", price_minor=2600, lead_days=2, source="invented"
            )
        },
        rules={
            "valve_replace": ServiceRule(
                id="valve_replace",
                name="Replace the valve",
                part_type="valve",
                action=Action.REPLACE,
                authority=Authority.MAKER,
                minutes=12.0,
                skills=frozenset({"pressure"}),
                consumes={"valve": 1},
                steps=("Drain # not a comment, and [not a table]", "Fit\nand tighten"),
                source="from memory",
                limit=Limit(months=36.0, authority=Authority.MAKER, source="from memory"),
                interval=Interval(
                    months_by_drinks=((60.0, 24.0), (400.0, 12.5)),
                    counter=Counter.LITRES,
                    counter_limit=50000.0,
                ),
                state=MachineState.COLD,
            )
        },
        set_points={},
        access_steps={},
        cautions={},
        faults={},
        symptoms={},
        positions=(
            Position(
                part_type="valve",
                place="steam boiler",
                applies_to=AppliesTo(kinds=frozenset({EquipmentKind.ESPRESSO_MACHINE})),
            ),
        ),
        thermals=(),
        use_per_drink=(UsePerDrink(counter=Counter.LITRES, amount=0.12, source="from memory"),),
    )


@pytest.mark.parametrize(
    ("old", "new", "flaw"),
    [
        pytest.param(
            "minutes = 12",
            "minutes = -3",
            "rules.toml line 8, rules.valve_replace.minutes: must be > 0, got -3.0",
            id="out of range",
        ),
        pytest.param(
            "minutes = 12",
            'minutes = "12"',
            "rules.toml line 8, rules.valve_replace.minutes: must be a number, got '12'",
            id="text for a number",
        ),
        pytest.param(
            "minutes = 12",
            "minutes = true",
            "rules.toml line 8, rules.valve_replace.minutes: must be a number, got True",
            id="truth for a number",
        ),
        pytest.param(
            "minutes = 12\n",
            "",
            "rules.toml line 3, rules.valve_replace.minutes: is missing",
            id="missing key",
        ),
        pytest.param(
            'action = "replace"',
            'action = "repair"',
            "rules.toml line 6, rules.valve_replace.action: must be one of check, adjust, clean, "
            "rebuild, replace, inspect, test, got 'repair'",
            id="outside a closed set",
        ),
        pytest.param(
            'skills = ["pressure"]',
            'skills = ["presure"]',
            "rules.toml line 9, rules.valve_replace.skills: skills has no presure",
            id="unknown reference",
        ),
        pytest.param(
            'skills = ["pressure"]',
            'skills = "pressure"',
            "rules.toml line 9, rules.valve_replace.skills: must be a list, got 'pressure'",
            id="not a list",
        ),
        pytest.param(
            "consumes = { valve = 1 }",
            "consumes = { valve = 0 }",
            "rules.toml line 10, rules.valve_replace.consumes.valve: must be > 0, got 0",
            id="quantity in braces",
        ),
        pytest.param(
            "consumes = { valve = 1 }",
            "consumes = { valve = 1.5 }",
            "rules.toml line 10, rules.valve_replace.consumes.valve: "
            "must be a whole number, got 1.5",
            id="fraction of a part",
        ),
        pytest.param(
            "consumes = { valve = 1 }\n",
            "",
            "rules.toml line 3, rules.valve_replace.consumes: must name the new part",
            id="replaces by nothing",
        ),
        pytest.param(
            "months = 36",
            "months = 18",
            "rules.toml line 17, rules.valve_replace.limit.months: "
            "must be at least the longest interval of 24.0, got 18.0",
            id="limit shorter than the interval",
        ),
        pytest.param(
            "[400, 12.5]",
            "[400, 30]",
            "rules.toml line 20, rules.valve_replace.interval.months_by_drinks: more drinks must "
            "not mean more months, got ((60.0, 24.0), (400.0, 30.0))",
            id="key after a text over several lines",
        ),
        pytest.param(
            "[400, 12.5]",
            "[400]",
            "rules.toml line 20, rules.valve_replace.interval.months_by_drinks: "
            "must hold lists of 2 numbers, got [400]",
            id="half a point",
        ),
        pytest.param(
            'counter = "litres"\ncounter_limit = 50000',
            'counter = "drinks"\ncounter_limit = 50000',
            "rules.toml line 21, rules.valve_replace.interval.counter: "
            "drinks needs an entry [[use_per_drink]]",
            id="counter nobody can estimate",
        ),
        pytest.param(
            "[rules.valve_replace]",
            "[rules.valve_replace",
            "rules.toml line 3: not TOML",
            id="syntax",
        ),
        pytest.param(
            "# Rules.",
            "[valves.a]",
            "rules.toml line 1, valves: is not known; known are access_steps, cautions, faults, "
            "features, openings, part_types, positions, rules, set_points, skills, symptoms, "
            "thermals, translations, use_per_drink",
            id="unknown table",
        ),
        pytest.param(
            "# Rules.",
            "positions = 3",
            "rules.toml line 1, positions: must be written as [[positions]]",
            id="table of the wrong form",
        ),
        pytest.param(
            "# Rules.",
            "[skills.pressure]\nname = 'again'",
            "rules.toml line 1, skills.pressure: is there twice: the id is taken in another file",
            id="same id in two files",
        ),
        pytest.param(
            "# Rules.",
            "[skills]\npressured = 3",
            "rules.toml line 2, skills.pressured: must be a table, got 3",
            id="entry that is no table",
        ),
    ],
)
def test_a_flaw_is_named_with_file_line_and_key(old: str, new: str, flaw: str) -> None:
    changed = RULES.replace(old, new)
    assert changed != RULES
    assert flaw in flaws_of(rules=changed)


def test_an_unknown_key_is_refused_with_those_that_exist() -> None:
    (flaw,) = flaws_of(trade=TRADE.replace("lead_days = 2", "lead_days = 2\nlead_weeks = 1"))
    assert flaw == (
        "trade.toml line 8, part_types.valve.lead_weeks: is not known; known are id, lead_days, "
        "life, name, price_minor, source, superseded_because, superseded_by"
    )


def test_all_flaws_of_all_files_are_listed_at_once() -> None:
    assert flaws_of(
        rules=RULES.replace("minutes = 12", "minutes = 0").replace('"maker"\nm', '"boss"\nm'),
        trade=TRADE.replace("2600", "-1").replace('"litres"', '"milk"'),
        broken="[",
        faults='[faults.leak]\nname = "Leak"\nper_machine_year = 0\nminutes = 0\nsource = ""\n',
    ) == [
        "trade.toml line 6, part_types.valve.price_minor: must be >= 0, got -1",
        "trade.toml line 16, use_per_drink[0].counter: "
        "must be one of litres, drinks, brew_cycles, kilograms, got 'milk'",
        "rules.toml line 7, rules.valve_replace.authority: "
        "must be one of statute, maker, practice, got 'boss'",
        "broken.toml line 1: not TOML",
        "faults.toml line 3, faults.leak.per_machine_year: must be > 0, got 0.0",
        "faults.toml line 4, faults.leak.minutes: must be > 0, got 0.0",
        "faults.toml line 5, faults.leak.source: must not be empty",
    ]


def test_what_names_a_flawed_entry_is_not_a_flaw_itself() -> None:
    assert flaws_of(trade=TRADE.replace("lead_days = 2", "lead_days = -2")) == [
        "trade.toml line 7, part_types.valve.lead_days: must be >= 0, got -2"
    ]


def test_list_entries_keep_their_number_over_files_and_behind_a_flawed_one() -> None:
    more = """\
[[positions]]
part_type = "valve"
quantity = 0

[[positions]]
part_type = "valv"

[positions.applies_to]
features = ["bell"]
"""
    assert flaws_of(more=more) == [
        "more.toml line 3, positions[1].quantity: must be > 0, got 0",
        "more.toml line 6, positions[2].part_type: part_types has no valv",
        "more.toml line 8, positions[2].applies_to: features has no bell",
    ]


def test_a_circle_of_names_is_refused() -> None:
    circle = """\
[part_types.a]
name = "A"
price_minor = 1
lead_days = 1
source = "invented"
superseded_by = "b"
superseded_because = "worn"

[part_types.b]
name = "B"
price_minor = 1
lead_days = 1
source = "invented"
superseded_by = "a"
superseded_because = "worn"

[access_steps.panel]
name = "Panel"
open_minutes = 1
close_minutes = 1
requires = ["tray"]

[access_steps.tray]
name = "Tray"
open_minutes = 1
close_minutes = 1
requires = ["panel"]
"""
    assert flaws_of(circle=circle) == [
        "circle.toml line 6, part_types.a.superseded_by: leads back to a in a circle",
        "circle.toml line 14, part_types.b.superseded_by: leads back to b in a circle",
        "circle.toml line 21, access_steps.panel.requires: leads back to panel in a circle",
        "circle.toml line 27, access_steps.tray.requires: leads back to tray in a circle",
    ]


def test_work_can_only_make_good_work_on_the_same_part() -> None:
    more = """\
[rules.look]
name = "Look"
action = "check"
authority = "practice"
every_visit = true
minutes = 1
restarts = ["valve_replace"]
source = "from memory"
"""
    assert flaws_of(more=more) == [
        "more.toml line 7, rules.look.restarts: valve_replace is work on valve, not on None"
    ]


def test_statutory_work_cannot_be_made_good_by_other_work() -> None:
    more = """\
[rules.examine]
name = "Examine the valve"
part_type = "valve"
action = "inspect"
authority = "statute"
alone = true
interval = { months_by_drinks = [[180, 12]] }
minutes = 1
source = "from memory"
"""
    assert flaws_of(
        more=more, rules=RULES.replace("minutes = 12", 'minutes = 12\nrestarts = ["examine"]')
    ) == [
        "rules.toml line 9, rules.valve_replace.restarts: "
        "work that stands alone neither makes good nor is made good: examine"
    ]


def test_work_during_the_reheat_cannot_need_cold_access() -> None:
    more = """\
[access_steps.panel]
name = "Panel"
open_minutes = 1
close_minutes = 1
requires = ["tray"]

[access_steps.tray]
name = "Tray"
open_minutes = 1
close_minutes = 1
state = "cold"

[rules.set]
name = "Set"
action = "adjust"
authority = "practice"
every_visit = true
state = "isolated_hot"
during_reheat = true
access = ["panel"]
minutes = 1
source = "from memory"
"""
    assert flaws_of(more=more) == [
        "more.toml line 20, rules.set.access: tray needs a machine that is off, "
        "the work one that heats up"
    ]


@given(st.integers(0, 400), st.sampled_from("[]{}\"'#=\n.x0 "))
def test_any_slip_of_the_pen_is_read_or_refused_cleanly(position: int, character: str) -> None:
    text = RULES[:position] + character + RULES[position + 1 :]
    try:
        catalogue = parse_catalogue({"trade.toml": TRADE, "rules.toml": text})
    except InvalidCatalogue as error:
        assert error.flaws  # noqa: PT017  either outcome is right
    else:
        assert len(catalogue.rules) == 1


def test_the_shipped_catalogue_is_sound() -> None:
    catalogue = load_catalogue()
    assert len(catalogue.rules) >= 50
    assert len(catalogue.part_types) >= 45
    assert len(catalogue.symptoms) >= 20
    assert len(catalogue.faults) >= 25


def test_a_change_replaces_and_adds_whole_entries() -> None:
    catalogue = parse_catalogue({"trade.toml": TRADE, "rules.toml": RULES})
    changed = amended_catalogue(
        catalogue,
        """
        [part_types.valve]
        name = "Valve"
        price_minor = 9900
        lead_days = 2
        source = "invented"

        [skills.water]
        name = "Filters"
        """,
    )
    assert changed.part_types["valve"].price_minor == 9900
    assert list(changed.skills) == ["pressure", "water"]
    assert changed.rules == catalogue.rules
    assert catalogue.part_types["valve"].price_minor == 2600


@pytest.mark.parametrize(
    ("text", "flaw"),
    [
        (
            '[skills.water]\nnames = "Filters"\n',
            "change line 2, skills.water.names: is not known; known are id, name",
        ),
        (
            RULES.replace('skills = ["pressure"]', 'skills = ["pressing"]'),
            "change line 9, rules.valve_replace.skills: skills has no pressing",
        ),
        (
            '[[use_per_drink]]\ncounter = "litres"\namount = 1\nsource = "-"\n',
            "use_per_drink: must be changed in the files",
        ),
    ],
)
def test_a_change_with_flaws_is_refused(text: str, flaw: str) -> None:
    catalogue = parse_catalogue({"trade.toml": TRADE, "rules.toml": RULES})
    with pytest.raises(InvalidCatalogue) as caught:
        amended_catalogue(catalogue, text)
    assert flaw in str(caught.value)
