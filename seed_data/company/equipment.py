"""Which machines, grinders and water filters stand at each site. Makes and models are invented."""

from dataclasses import dataclass, replace
from datetime import date, timedelta
from random import Random

from scheduler.catalogue import BoilerLayout, Dosing, EquipmentKind
from scheduler.machines import Build
from seed_data.company.hours import Kind
from seed_data.company.records import Site, Unit
from seed_data.company.setting import Setting

_STATUTORY = "statutory_inspection"
_GROUPS_UNDER_STATUTE = 3  # boilers of this many groups are large enough for the examination


@dataclass(frozen=True, slots=True, kw_only=True)
class _Model:
    """A model of espresso machine and the years in which it was sold."""

    name: str
    boiler_layout: BoilerLayout
    dosing: Dosing
    features: tuple[str, ...]
    years: tuple[int, int]


_MODELS = (
    _Model(
        name="Ombrisa Gabier",
        boiler_layout=BoilerLayout.SEPARATE_BOILERS,
        dosing=Dosing.VOLUMETRIC,
        features=("electronic_temperature", "pressure_sensor", "steam_shut_off"),
        years=(2018, 2026),
    ),
    _Model(
        name="Ombrisa Vigie",
        boiler_layout=BoilerLayout.SEPARATE_BOILERS,
        dosing=Dosing.VOLUMETRIC,
        features=("electronic_temperature", "pressure_switch", "sight_glass"),
        years=(2013, 2020),
    ),
    _Model(
        name="Kestrup 40",
        boiler_layout=BoilerLayout.SEPARATE_BOILERS,
        dosing=Dosing.SEMI_AUTOMATIC,
        features=("mechanical_thermostat", "pressure_switch", "sight_glass"),
        years=(2010, 2016),
    ),
    _Model(
        name="Farandel Cabestan",
        boiler_layout=BoilerLayout.HEAT_EXCHANGER,
        dosing=Dosing.VOLUMETRIC,
        features=("pressure_switch", "sight_glass"),
        years=(2012, 2023),
    ),
    _Model(
        name="Farandel Drisse",
        boiler_layout=BoilerLayout.HEAT_EXCHANGER,
        dosing=Dosing.VOLUMETRIC,
        features=("pressure_sensor", "steam_shut_off"),
        years=(2019, 2026),
    ),
    _Model(
        name="Zerlune Pivot",
        boiler_layout=BoilerLayout.HEAT_EXCHANGER,
        dosing=Dosing.SEMI_AUTOMATIC,
        features=("pressure_switch",),
        years=(2011, 2022),
    ),
)

_MACHINES_AT = {  # weights of one, two or three espresso machines
    Kind.BAKERY_CAFE: (7, 3, 0),
    Kind.COFFEE_HOUSE: (4, 6, 0),
    Kind.BAR: (8, 2, 0),
    Kind.RESTAURANT: (8, 2, 0),
    Kind.OFFICE: (3, 5, 2),
    Kind.HOTEL: (3, 4, 3),
    Kind.BEACH_CAFE: (8, 2, 0),
    Kind.WINERY: (10, 0, 0),
}
_DRINKS_PER_DAY = {  # of one machine, averaged over all days of the year
    Kind.BAKERY_CAFE: (110, 240),
    Kind.COFFEE_HOUSE: (180, 420),
    Kind.BAR: (60, 150),
    Kind.RESTAURANT: (50, 140),
    Kind.OFFICE: (60, 160),
    Kind.HOTEL: (50, 200),
    Kind.BEACH_CAFE: (70, 160),
    Kind.WINERY: (25, 60),
}
_DRINKS_FOR_THREE_GROUPS = 165  # a day; more than that, and the bar has a large machine
_GRINDER_SHARE = 0.5  # of the espresso machines have a grinder under contract
_FILTER_SHARE = 0.6  # of the sites have water treatment under contract
_BOTTLED_GAS_AT = (Kind.BEACH_CAFE, Kind.WINERY)  # where the electrical supply is weak
_HARD_WATER_DH = 15.0  # from here on some sites have a membrane instead of a cartridge


def equipment(sites: tuple[Site, ...], setting: Setting) -> tuple[Unit, ...]:
    """Return every unit ever under contract, site by site; ids are in this order."""
    units = [unit for site in sites for unit in _units_at(site, setting)]
    return tuple(
        replace(unit, id=f"m{number:03d}", tag=f"{unit.tag}{number:03d}")
        for number, unit in enumerate(units, start=1)
    )


def build_of(unit: Unit) -> Build:
    """Return how a unit is built."""
    return Build(
        kind=EquipmentKind(unit.kind),
        boiler_layout=BoilerLayout(unit.boiler_layout) if unit.boiler_layout else None,
        groups=unit.groups,
        dosing=Dosing(unit.dosing) if unit.dosing else None,
        features=frozenset(unit.features),
    )


def _units_at(site: Site, setting: Setting) -> list[Unit]:
    rng = setting.random("equipment", site.id)
    kind = Kind(site.kind)
    machines: list[Unit] = []
    for _ in range(rng.choices((1, 2, 3), _MACHINES_AT[kind])[0]):
        machine = _espresso_machine(site, rng.uniform(*_DRINKS_PER_DAY[kind]), rng, setting)
        if machine.installed_on > setting.history_start and rng.random() < 0.4:
            machines.append(_predecessor(machine, rng))
        machines.append(machine)
    in_use = [machine for machine in machines if machine.retired_on is None]
    grinders = [_grinder(m, rng, setting) for m in in_use if rng.random() < _GRINDER_SHARE]
    drinks = sum(machine.drinks_per_day for machine in in_use)
    filters = [_filter(site, drinks, rng, setting)] if rng.random() < _FILTER_SHARE else []
    return [*machines, *grinders, *filters]


def _espresso_machine(site: Site, drinks: float, rng: Random, setting: Setting) -> Unit:
    model = rng.choice(_MODELS)
    groups = 3 if drinks > _DRINKS_FOR_THREE_GROUPS else rng.choice((1, 2, 2, 2, 2))
    statutory = (_STATUTORY,) if groups >= _GROUPS_UNDER_STATUTE else ()
    by_gas = Kind(site.kind) in _BOTTLED_GAS_AT and model.dosing is Dosing.SEMI_AUTOMATIC
    return Unit(
        id="",
        tag="E",
        serial=_serial(rng),
        site_id=site.id,
        name=f"{model.name}, {groups} group{'s' if groups > 1 else ''}",
        kind=EquipmentKind.ESPRESSO_MACHINE,
        boiler_layout=model.boiler_layout,
        groups=groups,
        dosing=model.dosing,
        features=(*model.features, *statutory, *(("gas_fired",) if by_gas else ())),
        installed_on=_installed(model.years, rng, setting),
        retired_on=None,
        drinks_per_day=round(drinks),
    )


def _predecessor(successor: Unit, rng: Random) -> Unit:
    """Return the old machine that ``successor`` took the place of."""
    model = _MODELS[2]
    return replace(
        successor,
        serial=_serial(rng),
        name=f"{model.name}, {successor.groups} group{'s' if successor.groups > 1 else ''}",
        boiler_layout=model.boiler_layout,
        dosing=model.dosing,
        features=model.features,
        installed_on=date(rng.randint(*model.years), rng.randint(1, 12), rng.randint(1, 28)),
        retired_on=successor.installed_on,
    )


def _grinder(machine: Unit, rng: Random, setting: Setting) -> Unit:
    name, burrs = rng.choice(
        (
            ("Grivolte 64", "flat_burrs"),
            ("Grivolte 83", "flat_burrs"),
            ("Molandre C", "conical_burrs"),
        )
    )
    return Unit(
        id="",
        tag="G",
        serial=_serial(rng),
        site_id=machine.site_id,
        name=name,
        kind=EquipmentKind.GRINDER,
        boiler_layout=None,
        groups=0,
        dosing=None,
        features=(burrs,),
        installed_on=_installed((2016, 2026), rng, setting),
        retired_on=None,
        drinks_per_day=machine.drinks_per_day,
    )


def _filter(site: Site, drinks: float, rng: Random, setting: Setting) -> Unit:
    membrane = site.hardness_dh >= _HARD_WATER_DH and rng.random() < 0.5
    return Unit(
        id="",
        tag="F",
        serial=_serial(rng),
        site_id=site.id,
        name="Sourcelle membrane" if membrane else "Clarnette 1200",
        kind=EquipmentKind.WATER_FILTER,
        boiler_layout=None,
        groups=0,
        dosing=None,
        features=("membrane",) if membrane else ("cartridge",),
        installed_on=_installed((2018, 2026), rng, setting),
        retired_on=None,
        drinks_per_day=round(drinks),
    )


def _installed(years: tuple[int, int], rng: Random, setting: Setting) -> date:
    day = date(rng.randint(*years), rng.randint(1, 12), rng.randint(1, 28))
    return min(day, setting.planning_day - timedelta(days=rng.randint(120, 300)))


def _serial(rng: Random) -> str:
    return f"{rng.choice('BDFHKLMRTV')}{rng.randint(10_000, 99_999)}"
