"""Who the clients are, what they were promised and where their cafés stand."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from random import Random

from seed_data.company.geography import (
    ALTITUDE_METRES,
    HARDNESS_DH,
    TOWN_PLANS,
    Area,
    TownPlan,
    spot_in,
)
from seed_data.company.hours import Kind, closures_of, week_of
from seed_data.company.names import (
    HOUSE_NAMES,
    landline,
    mail_name,
    person_name,
    street_address,
)
from seed_data.company.records import Client, Contract, Site
from seed_data.company.setting import Setting

FULL_CARE, UPKEEP_ONLY, ON_CALL = "full care", "upkeep only", "on call"

_LONG_CHAIN_SITES = 12  # from here on a chain has a second, smaller contract


@dataclass(frozen=True, slots=True, kw_only=True)
class _Group:
    """A client before it has a name: its kind of café and the towns of its sites."""

    kind: Kind
    towns: tuple[TownPlan, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Chain:
    kind: Kind
    sites: int
    areas: tuple[Area, ...]


_CHAINS = (
    _Chain(
        kind=Kind.BAKERY_CAFE,
        sites=14,
        areas=(Area.LEFT_BANK, Area.RIGHT_BANK, Area.LIBOURNAIS, Area.BAY),
    ),
    _Chain(kind=Kind.BAKERY_CAFE, sites=8, areas=(Area.LEFT_BANK, Area.SOUTH, Area.LIBOURNAIS)),
    _Chain(kind=Kind.OFFICE, sites=12, areas=(Area.LEFT_BANK, Area.RIGHT_BANK)),
    _Chain(kind=Kind.COFFEE_HOUSE, sites=9, areas=(Area.LEFT_BANK,)),
    _Chain(
        kind=Kind.HOTEL,
        sites=7,
        areas=(Area.LEFT_BANK, Area.BAY, Area.ROYAN, Area.OCEAN, Area.LIBOURNAIS),
    ),
    _Chain(kind=Kind.BAR, sites=6, areas=(Area.LEFT_BANK,)),
    _Chain(
        kind=Kind.RESTAURANT,
        sites=7,
        areas=(Area.LEFT_BANK, Area.RIGHT_BANK, Area.MEDOC, Area.BAY),
    ),
    _Chain(kind=Kind.BEACH_CAFE, sites=6, areas=(Area.OCEAN, Area.BAY, Area.ROYAN)),
    _Chain(
        kind=Kind.WINERY,
        sites=5,
        areas=(Area.LIBOURNAIS, Area.MEDOC, Area.BLAYAIS, Area.SOUTH),
    ),
)
_SINGLE_CLIENTS, _CLIENTS_OF_TWO = 26, 15  # the other small clients have three sites

_TOWN_KINDS = (  # weights of the kinds of small clients
    (Kind.BAKERY_CAFE, 3),
    (Kind.BAR, 4),
    (Kind.RESTAURANT, 4),
    (Kind.OFFICE, 4),
    (Kind.HOTEL, 2),
    (Kind.COFFEE_HOUSE, 2),
)
_COUNTRY_KINDS = (
    (Kind.BAKERY_CAFE, 3),
    (Kind.BAR, 2),
    (Kind.RESTAURANT, 3),
    (Kind.HOTEL, 1),
    (Kind.WINERY, 2),
)
_SEASIDE_KINDS = (
    (Kind.BEACH_CAFE, 5),
    (Kind.HOTEL, 2),
    (Kind.RESTAURANT, 3),
    (Kind.BAR, 1),
    (Kind.BAKERY_CAFE, 2),
)

_PREFIX = {
    Kind.BAKERY_CAFE: "Fournil",
    Kind.COFFEE_HOUSE: "Café",
    Kind.BAR: "Bar",
    Kind.RESTAURANT: "Table",
    Kind.OFFICE: "Bureaux",
    Kind.HOTEL: "Hôtel",
    Kind.BEACH_CAFE: "Cabane",
    Kind.WINERY: "Chai",
}

_ACCESS_NOTES = {
    Kind.BAKERY_CAFE: ("Back door through the yard; flour dust, close the van.", ""),
    Kind.COFFEE_HOUSE: ("Park in the delivery bay until 11:00.", "Pedestrian zone: trolley.", ""),
    Kind.BAR: ("Ring the flat above if nobody opens.", "Key box at the side door.", ""),
    Kind.RESTAURANT: ("Kitchen entrance.", "Supply valve is under the pass.", ""),
    Kind.OFFICE: ("Sign in at reception with an identity card.", "Goods lift to floor 4.", ""),
    Kind.HOTEL: ("Ask for the breakfast manager.", "Underground car park, 1.90 m high.", ""),
    Kind.BEACH_CAFE: ("Last 200 m on a boardwalk, no vehicle.", "Water is off in winter.", ""),
    Kind.WINERY: ("Second gate; dogs.", ""),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Clientele:
    """The clients with their contracts and sites."""

    clients: tuple[Client, ...]
    contracts: tuple[Contract, ...]
    sites: tuple[Site, ...]


def clientele(setting: Setting) -> Clientele:
    """Return all clients, contracts and sites."""
    clients: list[Client] = []
    contracts: list[Contract] = []
    sites: list[Site] = []
    house_names = list(HOUSE_NAMES)
    setting.random("house names").shuffle(house_names)
    for number, (group, house) in enumerate(
        zip(_groups(setting.random("groups")), house_names, strict=True), start=1
    ):
        client = _client(number, f"{_PREFIX[group.kind]} {house}", house, setting)
        own_contracts = _contracts(client, group, number, setting)
        clients.append(client)
        contracts.extend(own_contracts)
        for position, town in enumerate(group.towns):
            # the last third of a long chain is on its second contract
            second = len(own_contracts) > 1 and 3 * position >= 2 * len(group.towns)
            site = _site(
                number=len(sites) + 1,
                client=client,
                contract=own_contracts[1 if second else 0],
                group=group,
                town=town,
                setting=setting,
            )
            sites.append(_water_tested(site, setting))
    return Clientele(clients=tuple(clients), contracts=tuple(contracts), sites=tuple(sites))


def _groups(rng: Random) -> list[_Group]:
    towns = [plan for plan in TOWN_PLANS for _ in range(plan.sites)]
    rng.shuffle(towns)
    groups = []
    for chain in _CHAINS:
        own = [plan for plan in towns if plan.area in chain.areas][: chain.sites]
        for plan in own:
            towns.remove(plan)
        groups.append(_Group(kind=chain.kind, towns=tuple(own)))

    # small clients stay in one part of the country
    towns.sort(key=lambda plan: list(Area).index(plan.area))
    three = (len(towns) - _SINGLE_CLIENTS - 2 * _CLIENTS_OF_TWO) // 3
    sizes = [1] * _SINGLE_CLIENTS + [2] * _CLIENTS_OF_TWO + [3] * three
    rng.shuffle(sizes)
    for size in sizes:
        own, towns = towns[:size], towns[size:]
        kinds = _kinds_in({plan.area for plan in own})
        kind = rng.choices([k for k, _ in kinds], [weight for _, weight in kinds])[0]
        groups.append(_Group(kind=kind, towns=tuple(own)))
    return groups


def _kinds_in(areas: set[Area]) -> Sequence[tuple[Kind, int]]:
    if all(area.seaside for area in areas):
        return _SEASIDE_KINDS
    return _TOWN_KINDS if areas <= {Area.LEFT_BANK, Area.RIGHT_BANK} else _COUNTRY_KINDS


def _client(number: int, name: str, house: str, setting: Setting) -> Client:
    key = f"cl-{number:02d}"
    contact = person_name(setting.random("contact", key))
    return Client(
        id=key,
        name=name,
        contact_name=contact,
        contact_phone=landline(number),
        contact_email=f"{mail_name(contact)}@{mail_name(house)}.example",
    )


def _contracts(client: Client, group: _Group, number: int, setting: Setting) -> list[Contract]:
    rng = setting.random("contract", client.id)
    if len(group.towns) >= _LONG_CHAIN_SITES:
        kinds = [FULL_CARE, UPKEEP_ONLY]
    elif len(group.towns) > 3:
        kinds = [FULL_CARE if rng.random() < 0.7 else UPKEEP_ONLY]
    else:
        kinds = rng.choices([FULL_CARE, UPKEEP_ONLY, ON_CALL], [8, 8, 4])
    newcomer = len(group.towns) <= 3 and rng.random() < 0.15
    days_before = rng.randint(150, 700) if newcomer else rng.randint(950, 2200)
    starts_on = (setting.planning_day - timedelta(days=days_before)).replace(day=1)
    return [
        _contract(f"ct-{number:02d}{suffix}", client, kind, starts_on, rng, setting)
        for suffix, kind in zip("ab", kinds, strict=False)
    ]


def _contract(
    key: str, client: Client, kind: str, starts_on: date, rng: Random, setting: Setting
) -> Contract:
    response_minutes, service_hours = {
        FULL_CARE: (
            {"danger": 60, "stopped": 240, "impaired": 960, "minor": 2400},
            "Mo-Su 07:00-20:00",
        ),
        UPKEEP_ONLY: (
            {"danger": 120, "stopped": 480, "impaired": 1440, "minor": 3600},
            "Mo-Sa 08:00-18:00",
        ),
        ON_CALL: (
            {"danger": 120, "stopped": 720, "impaired": 1800, "minor": 4800},
            "Mo-Fr 08:00-17:00",
        ),
    }[kind]
    return Contract(
        id=key,
        client_id=client.id,
        kind=kind,
        starts_on=starts_on,
        ends_on=date(setting.planning_day.year, 12, 31) if rng.random() < 0.1 else None,
        response_minutes=response_minutes,
        service_hours=service_hours,
        zone=setting.zone,
        holiday_country=setting.holiday_country,
        holiday_subdivision=None,
        serves_holidays=kind == FULL_CARE,
        upkeep_included=kind != ON_CALL,
        statutory_included=kind == FULL_CARE or (kind == UPKEEP_ONLY and rng.random() < 0.5),
    )


def _site(
    *,
    number: int,
    client: Client,
    contract: Contract,
    group: _Group,
    town: TownPlan,
    setting: Setting,
) -> Site:
    key = f"si-{number:03d}"
    rng = setting.random("site", key)
    spot = spot_in(town, rng)
    address = street_address(rng)
    week = week_of(group.kind, rng)
    several = len(group.towns) > 1
    return Site(
        id=key,
        client_id=client.id,
        contract_id=contract.id,
        name=f"{client.name}, {address}" if several else client.name,
        kind=group.kind,
        address=address,
        town=town.name,
        lat=spot.lat,
        lon=spot.lon,
        altitude_metres=round(ALTITUDE_METRES[spot.area] * rng.uniform(0.5, 1.5)),
        zone=setting.zone,
        opening_hours=week.opening,
        access_hours=week.access,
        quiet_hours=week.quiet,
        closures=closures_of(group.kind, rng),
        hardness_dh=round(HARDNESS_DH[spot.area] * rng.uniform(0.85, 1.15), 1),
        access_notes=rng.choice(_ACCESS_NOTES[group.kind]),
        phone=landline(1000 + number),
    )


def _water_tested(site: Site, setting: Setting) -> Site:
    """Add a test of the water to most sites: chalky, as in the whole country."""
    rng = setting.random("water", site.id)
    if rng.random() < 0.3:
        return site
    alkalinity = site.hardness_dh * rng.uniform(0.7, 0.95) * 17.85
    return replace(
        site, alkalinity_mg_l=round(alkalinity, -1), water_ph=round(rng.uniform(7.1, 7.7), 1)
    )
