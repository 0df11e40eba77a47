"""A small catalogue and a few builds, with round minutes that can be added up by hand."""

from datetime import date
from typing import Any

from scheduler.catalogue import (
    AccessStep,
    Action,
    AppliesTo,
    Authority,
    BoilerLayout,
    Catalogue,
    Caution,
    Dosing,
    EquipmentKind,
    Fault,
    Interval,
    MachineState,
    Opening,
    PartType,
    Position,
    ReadWhen,
    ServiceRule,
    SetPoint,
    Skill,
    Symptom,
    Thermal,
)
from scheduler.machines import Build, FittedPart, Machine, places_in
from scheduler.upkeep import DueTask

SOURCE = "invented for the tests"
MACHINE = AppliesTo(kinds=frozenset({EquipmentKind.ESPRESSO_MACHINE}))
MACHINE_OR_GRINDER = AppliesTo(
    kinds=frozenset({EquipmentKind.ESPRESSO_MACHINE, EquipmentKind.GRINDER})
)
GRINDER = AppliesTo(kinds=frozenset({EquipmentKind.GRINDER}))

TWO_GROUP = Build(
    kind=EquipmentKind.ESPRESSO_MACHINE,
    boiler_layout=BoilerLayout.HEAT_EXCHANGER,
    groups=2,
    dosing=Dosing.VOLUMETRIC,
)
WITH_SHUT_OFFS = Build(
    kind=EquipmentKind.ESPRESSO_MACHINE,
    boiler_layout=BoilerLayout.SEPARATE_BOILERS,
    groups=3,
    dosing=Dosing.SEMI_AUTOMATIC,
    features=frozenset({"steam_shut_off"}),
)
PLAIN_GRINDER = Build(kind=EquipmentKind.GRINDER)
PLAIN_FILTER = Build(kind=EquipmentKind.WATER_FILTER)


def _part(part: str, price_minor: int) -> PartType:
    return PartType(id=part, name=part, price_minor=price_minor, lead_days=3, source=SOURCE)


def _months(months: float) -> Interval:
    return Interval(months_by_drinks=((100.0, months),))


def _by_id(*things: Any) -> dict[str, Any]:
    return {thing.id: thing for thing in things}


CATALOGUE = Catalogue(
    skills=_by_id(
        Skill(id="steam", name="Steam side"),
        Skill(id="electric", name="Electrical work"),
        Skill(id="competent_person", name="Competent person"),
    ),
    part_types=_by_id(
        _part("steam_valve", 4000),
        _part("steam_valve_kit", 1500),
        _part("brew_valve", 6000),
        _part("brew_valve_kit", 2000),
        _part("expansion_valve", 5000),
        _part("group_gasket", 500),
        _part("group_screen", 600),
        _part("burrs", 8000),
        _part("cartridge", 9000),
        _part("contactor", 12000),
        _part("pressure_switch", 6000),
        _part("safety_valve", 7000),
    ),
    rules=_by_id(
        ServiceRule(
            id="rebuild_steam_valve",
            name="Rebuild the steam valve",
            action=Action.REBUILD,
            authority=Authority.PRACTICE,
            interval=_months(12),
            minutes=15,
            source=SOURCE,
            part_type="steam_valve",
            live_with="steam_shut_off",
            access=("top_panel",),
            skills=frozenset({"steam"}),
            consumes={"steam_valve_kit": 1},
            tools=("strap wrench",),
            cautions=("scald",),
            steps=("Close the shut-off", "Take the stem out", "Fit the kit"),
        ),
        ServiceRule(
            id="rebuild_brew_valve",
            name="Rebuild the brew valve",
            action=Action.REBUILD,
            authority=Authority.PRACTICE,
            interval=_months(24),
            minutes=20,
            source=SOURCE,
            part_type="brew_valve",
            access=("valve_drain",),
            consumes={"brew_valve_kit": 1},
        ),
        ServiceRule(
            id="replace_gasket",
            name="Replace the gasket",
            action=Action.REPLACE,
            authority=Authority.PRACTICE,
            interval=_months(6),
            minutes=3,
            source=SOURCE,
            part_type="group_gasket",
            state=MachineState.ISOLATED_HOT,
            opening="group_head",
            consumes={"group_gasket": 1},
        ),
        ServiceRule(
            id="replace_screen",
            name="Replace the screen",
            action=Action.REPLACE,
            authority=Authority.PRACTICE,
            interval=_months(6),
            minutes=1,
            source=SOURCE,
            part_type="group_screen",
            state=MachineState.ISOLATED_HOT,
            opening="group_head",
            consumes={"group_screen": 1},
        ),
        ServiceRule(
            id="look_at_contactor",
            name="Look at the contactor",
            action=Action.CHECK,
            authority=Authority.PRACTICE,
            interval=_months(12),
            minutes=6,
            source=SOURCE,
            part_type="contactor",
            state=MachineState.DEAD,
            access=("electric_panel",),
        ),
        ServiceRule(
            id="watch_pressure",
            name="Watch the steam pressure",
            action=Action.CHECK,
            authority=Authority.PRACTICE,
            interval=_months(6),
            minutes=4,
            source=SOURCE,
            part_type="pressure_switch",
            state=MachineState.LIVE,
        ),
        ServiceRule(
            id="set_expansion_valve",
            name="Set the expansion valve",
            action=Action.ADJUST,
            authority=Authority.PRACTICE,
            interval=Interval(),
            every_visit=True,
            minutes=6,
            source=SOURCE,
            part_type="expansion_valve",
            state=MachineState.ISOLATED_HOT,
            during_reheat=True,
            access=("side_panel",),
            readings=("brew_pressure",),
        ),
        ServiceRule(
            id="clear_switch_port",
            name="Clear the pressure-switch connection",
            action=Action.CLEAN,
            authority=Authority.PRACTICE,
            interval=Interval(),
            every_visit=True,
            minutes=8,
            source=SOURCE,
            part_type="pressure_switch",
            access=("top_panel",),
        ),
        ServiceRule(
            id="replace_burrs",
            name="Replace the burrs",
            action=Action.REPLACE,
            authority=Authority.PRACTICE,
            interval=_months(12),
            minutes=25,
            source=SOURCE,
            part_type="burrs",
            consumes={"burrs": 1},
        ),
        ServiceRule(
            id="replace_cartridge",
            name="Replace the cartridge",
            action=Action.REPLACE,
            authority=Authority.MAKER,
            interval=_months(12),
            minutes=10,
            source=SOURCE,
            part_type="cartridge",
            consumes={"cartridge": 1},
        ),
        ServiceRule(
            id="look_at_grinder",
            name="Check the dose",
            action=Action.CHECK,
            authority=Authority.PRACTICE,
            interval=_months(6),
            minutes=5,
            source=SOURCE,
            applies_to=GRINDER,
            state=MachineState.LIVE,
        ),
        ServiceRule(
            id="test_electrics",
            name="Electrical test",
            action=Action.TEST,
            authority=Authority.STATUTE,
            interval=_months(24),
            minutes=20,
            source=SOURCE,
            applies_to=MACHINE_OR_GRINDER,
            state=MachineState.DEAD,
            access=("electric_panel",),
            readings=("earth",),
            alone=True,
        ),
        ServiceRule(
            id="examine_vessel",
            name="Statutory examination",
            action=Action.INSPECT,
            authority=Authority.STATUTE,
            interval=_months(14),
            minutes=40,
            source=SOURCE,
            applies_to=MACHINE,
            skills=frozenset({"competent_person"}),
            alone=True,
        ),
    ),
    set_points=_by_id(
        SetPoint(
            id="brew_pressure", name="Brew pressure", unit="bar", low=8.5, high=9.5, source=SOURCE
        ),
        SetPoint(
            id="earth",
            name="Earth",
            unit="ohm",
            low=0.0,
            high=0.3,
            source=SOURCE,
            read=ReadWhen.AT_WORK,
        ),
    ),
    access_steps=_by_id(
        AccessStep(id="top_panel", name="top panel", open_minutes=3, close_minutes=3),
        AccessStep(id="side_panel", name="side panel", open_minutes=2, close_minutes=2),
        AccessStep(
            id="front_panel",
            name="front valve panel",
            open_minutes=2,
            close_minutes=2,
            state=MachineState.COLD,
        ),
        AccessStep(
            id="valve_drain",
            name="shared valve drain",
            open_minutes=4,
            close_minutes=5,
            requires=("front_panel",),
            state=MachineState.COLD,
            holds_water=True,
        ),
        AccessStep(
            id="electric_panel",
            name="electric panel",
            open_minutes=3,
            close_minutes=3,
            state=MachineState.DEAD,
            applies_to=MACHINE,
        ),
    ),
    openings=_by_id(Opening(id="group_head", name="group head", minutes=2)),
    cautions=_by_id(
        Caution(id="scald", text="Scalding steam: close the shut-off first."),
        *(
            Caution(id=caution, text=f"Text of {caution}.")
            for caution in (
                "isolate_electricity",
                "isolate_water",
                "stored_steam",
                "hot_and_live",
                "locked_yet_hot",
                "refill_before_heat",
                "safety_devices",
                "burrs",
            )
        ),
    ),
    faults=_by_id(
        Fault(
            id="contactor_burnt",
            name="Heating contactor burnt",
            per_machine_year=0.10,
            minutes=40,
            source=SOURCE,
            part_type="contactor",
            skills=frozenset({"electric"}),
            parts={"contactor": 1},
        ),
        Fault(
            id="switch_scaled",
            name="Pressure switch scaled up",
            per_machine_year=0.20,
            minutes=30,
            source=SOURCE,
            part_type="pressure_switch",
            parts={"pressure_switch": 1},
        ),
        Fault(
            id="tap_shut",
            name="Water tap left shut",
            per_machine_year=0.05,
            minutes=10,
            source=SOURCE,
            phone_fix="Open the water tap under the counter.",
            state=MachineState.LIVE,
        ),
        Fault(
            id="gasket_worn",
            name="Group gasket worn",
            per_machine_year=0.15,
            minutes=10,
            source=SOURCE,
            part_type="group_gasket",
            parts={"group_gasket": 1},
            state=MachineState.ISOLATED_HOT,
        ),
    ),
    symptoms=_by_id(
        Symptom(
            id="no_heat",
            name="Does not heat",
            question="Does the machine stay cold?",
            likelihoods={"contactor_burnt": 0.9, "switch_scaled": 0.3},
            background=0.01,
            words=("cold", "no heat", "kein dampf"),
            stops_service=True,
        ),
        Symptom(
            id="pressure_swings",
            name="Boiler pressure swings",
            question="Does the needle swing far up and down?",
            likelihoods={"switch_scaled": 0.8},
            background=0.05,
            words=("needle", "swings"),
        ),
        Symptom(
            id="no_water",
            name="No water",
            question="Does no water come at all?",
            likelihoods={"tap_shut": 0.95},
            background=0.02,
            words=("no water", "sèche"),
            stops_service=True,
        ),
        Symptom(
            id="drips",
            name="Drips at the group",
            question="Does it drip around the handle?",
            likelihoods={"gasket_worn": 0.9},
            background=0.05,
            words=("drip", "drips", "leaks"),
        ),
        Symptom(
            id="burning_smell",
            name="Smell of burning",
            question="Is there a smell of burning?",
            likelihoods={"contactor_burnt": 0.3},
            background=0.01,
            words=("burning", "smoke", "brûlé"),
            red_flag=True,
            make_safe="Switch it off at the wall if that is safe, and keep people away.",
            stops_service=True,
        ),
    ),
    positions=(
        Position(part_type="steam_valve", place="steam valve", applies_to=MACHINE, quantity=2),
        Position(part_type="brew_valve", place="group", applies_to=MACHINE, per_group=True),
        Position(part_type="group_gasket", place="group", applies_to=MACHINE, per_group=True),
        Position(part_type="group_screen", place="group", applies_to=MACHINE, per_group=True),
        Position(part_type="expansion_valve", place="expansion", applies_to=MACHINE),
        Position(part_type="pressure_switch", place="steam boiler", applies_to=MACHINE),
        Position(part_type="contactor", place="electrics", applies_to=MACHINE),
        Position(part_type="burrs", place="burr set", applies_to=GRINDER),
        Position(
            part_type="cartridge",
            place="head",
            applies_to=AppliesTo(kinds=frozenset({EquipmentKind.WATER_FILTER})),
        ),
    ),
    thermals=(Thermal(applies_to=MACHINE, cool_down_minutes=30, reheat_minutes=25, source=SOURCE),),
)


def machine(machine_id: str, build: Build, site: str = "cafe") -> Machine:
    return Machine(
        id=machine_id,
        site=site,
        name=machine_id,
        build=build,
        installed_on=date(2024, 3, 1),
        drinks_per_day=200.0,
        parts=tuple(
            FittedPart(
                id=f"{machine_id}/{place.part_type}/{place.position}",
                part_type=place.part_type,
                position=place.position,
                fitted_on=date(2024, 3, 1),
            )
            for place in places_in(build, CATALOGUE)
        ),
    )


def task(
    at: Machine,
    rule: str,
    n: int = 0,
    *,
    target: date = date(2027, 3, 1),
    early_days: int = 90,
    late_days: int = 54,
    interval_days: int = 365,
    hard: bool = False,
) -> DueTask:
    """A task for the ``n``-th part the rule is for."""
    part_type = CATALOGUE.rules[rule].part_type
    parts = [part for part in at.parts if part.part_type == part_type]
    fitted_part = parts[n].id if part_type is not None else None
    day = target.toordinal()
    return DueTask(
        id=f"{at.id}/{rule}/{n}",
        machine=at.id,
        site=at.site,
        rule=rule,
        fitted_part=fitted_part,
        anchor=date.fromordinal(day - interval_days),
        earliest=date.fromordinal(day - early_days),
        target=target,
        latest=date.fromordinal(day + late_days),
        hard=hard,
        because=SOURCE,
    )
