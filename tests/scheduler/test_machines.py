"""Machines: builds that make sense, what applies to them, which parts they carry."""

from datetime import date

import pytest

from scheduler.catalogue import AppliesTo, BoilerLayout, Catalogue, Dosing, EquipmentKind, Position
from scheduler.errors import InvalidInput
from scheduler.machines import Build, FittedPart, Machine, Place, places_in, thermal_of
from seed_data.catalogue import load_catalogue

TWO_GROUPS = Build(
    kind=EquipmentKind.ESPRESSO_MACHINE,
    boiler_layout=BoilerLayout.SEPARATE_BOILERS,
    groups=2,
    dosing=Dosing.VOLUMETRIC,
    features=frozenset({"sight_glass", "pressure_switch"}),
)
GRINDER = Build(kind=EquipmentKind.GRINDER, features=frozenset({"flat_burrs"}))


def catalogue_of(*positions: Position) -> Catalogue:
    return Catalogue(
        skills={},
        part_types={},
        rules={},
        set_points={},
        access_steps={},
        cautions={},
        faults={},
        symptoms={},
        positions=positions,
        thermals=(),
    )


@pytest.mark.parametrize(
    ("applies_to", "suits"),
    [
        (AppliesTo(), True),
        (AppliesTo(kinds=frozenset({EquipmentKind.GRINDER})), False),
        (AppliesTo(boiler_layouts=frozenset({BoilerLayout.SEPARATE_BOILERS})), True),
        (AppliesTo(boiler_layouts=frozenset({BoilerLayout.HEAT_EXCHANGER})), False),
        (AppliesTo(dosings=frozenset(Dosing)), True),
        (AppliesTo(dosings=frozenset({Dosing.SEMI_AUTOMATIC})), False),
        (AppliesTo(features=frozenset({"sight_glass", "pressure_switch"})), True),
        (AppliesTo(features=frozenset({"sight_glass", "steam_shut_off"})), False),
        (AppliesTo(without_features=frozenset({"steam_shut_off"})), True),
        (AppliesTo(without_features=frozenset({"sight_glass"})), False),
    ],
)
def test_a_build_suits_what_it_fulfils_in_every_respect(applies_to: AppliesTo, suits: bool) -> None:
    assert TWO_GROUPS.suits(applies_to) is suits


def test_places_follow_from_the_build() -> None:
    catalogue = catalogue_of(
        Position(part_type="valve", place="steam valve", quantity=2),
        Position(part_type="gasket", place="group", per_group=True),
        Position(part_type="probe", place="steam boiler"),
        Position(
            part_type="burrs",
            place="burr chamber",
            applies_to=AppliesTo(kinds=frozenset({EquipmentKind.GRINDER})),
        ),
    )
    assert places_in(TWO_GROUPS, catalogue) == (
        Place(part_type="valve", position="steam valve 1"),
        Place(part_type="valve", position="steam valve 2"),
        Place(part_type="gasket", position="group 1"),
        Place(part_type="gasket", position="group 2"),
        Place(part_type="probe", position="steam boiler"),
    )


def test_a_two_group_machine_of_the_shipped_catalogue_carries_about_thirty_parts() -> None:
    places = places_in(TWO_GROUPS, load_catalogue())
    assert 25 <= len(places) <= 35
    assert len(set(places)) == len(places)


def test_a_grinder_has_nothing_to_cool() -> None:
    assert thermal_of(GRINDER, load_catalogue()) is None


def test_boilers_cool_and_heat_by_their_layout() -> None:
    thermal = thermal_of(TWO_GROUPS, load_catalogue())
    assert thermal is not None
    assert (thermal.cool_down_minutes, thermal.reheat_minutes) == (35, 30)


def test_an_espresso_machine_needs_boilers_groups_and_dosing() -> None:
    with pytest.raises(InvalidInput, match="needs a boiler layout, a dosing and at least one"):
        Build(kind=EquipmentKind.ESPRESSO_MACHINE, boiler_layout=BoilerLayout.HEAT_EXCHANGER)


def test_a_grinder_has_no_groups() -> None:
    with pytest.raises(InvalidInput, match="a grinder has no boiler layout"):
        Build(kind=EquipmentKind.GRINDER, groups=2)


def test_a_machine_refuses_a_negative_pace_and_doubled_parts() -> None:
    part = FittedPart(
        id="p", part_type="burrs", position="burr chamber", fitted_on=date(2026, 1, 1)
    )

    def machine(drinks_per_day: float, parts: tuple[FittedPart, ...]) -> Machine:
        return Machine(
            id="g",
            site="s",
            name="Grinder",
            build=GRINDER,
            installed_on=date(2026, 1, 1),
            drinks_per_day=drinks_per_day,
            parts=parts,
        )

    with pytest.raises(InvalidInput, match="drinks_per_day must be >= 0, got -3"):
        machine(-3, ())
    with pytest.raises(InvalidInput, match=r"need different ids: \['p', 'p'\]"):
        machine(100, (part, part))
