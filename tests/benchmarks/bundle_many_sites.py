"""How fast the sites of a large company are bundled, and what that saves.

Run by hand: ``python -m tests.benchmarks.bundle_many_sites [machines]``. Sites, builds and dates
are drawn at random (same seed, same company); the catalogue is the real one.
"""

import sys
from collections.abc import Iterator
from datetime import date, timedelta
from random import Random
from time import perf_counter

from scheduler.bundling import bundle_site
from scheduler.bundling_policy import BundlingPolicy
from scheduler.catalogue import Authority, BoilerLayout, Catalogue, Dosing, EquipmentKind
from scheduler.machines import Build, FittedPart, Machine, places_in
from scheduler.upkeep import DueTask
from scheduler.visit_estimate import VisitEstimates
from seed_data.catalogue import load_catalogue

TODAY = date(2027, 1, 1)
HORIZON = TODAY + timedelta(days=30)
MACHINE_FEATURES = [
    {"pressure_switch"},
    {"pressure_switch", "sight_glass", "mechanical_thermostat"},
    {"pressure_sensor", "electronic_temperature", "steam_shut_off"},
]
MACHINES = [
    Build(
        kind=EquipmentKind.ESPRESSO_MACHINE,
        boiler_layout=layout,
        groups=groups,
        dosing=dosing,
        features=frozenset(features),
    )
    for layout in BoilerLayout
    for groups in (1, 2, 3)
    for dosing in Dosing
    for features in MACHINE_FEATURES
]
GRINDERS = [
    Build(kind=EquipmentKind.GRINDER, features=frozenset({burrs}))
    for burrs in ("flat_burrs", "conical_burrs")
]
FILTER = Build(kind=EquipmentKind.WATER_FILTER, features=frozenset({"cartridge"}))


def main(machines: int) -> None:
    random = Random(1)
    catalogue = load_catalogue()
    sites = []
    made = 0
    while made < machines:
        at_site = list(site_machines(random, f"site{len(sites)}", catalogue))
        tasks = [task for machine in at_site for task in due(random, machine, catalogue)]
        sites.append((tasks, at_site))
        made += len(at_site)

    estimates = VisitEstimates(catalogue)
    policy = BundlingPolicy()
    bundle_site(*sites[0], catalogue, policy, TODAY, HORIZON, estimates)  # loads compiled code
    start = perf_counter()
    found = [
        bundle_site(tasks, at_site, catalogue, policy, TODAY, HORIZON, estimates)
        for tasks, at_site in sites
    ]
    seconds = perf_counter() - start
    together = sum(bundling.cost_minutes for bundling in found)
    apart = sum(bundling.separate_cost_minutes for bundling in found)
    print(
        f"{made} machines at {len(sites)} sites, {sum(len(tasks) for tasks, _ in sites)} tasks: "
        f"{seconds:.2f} s, {sum(len(bundling.bundles) for bundling in found)} visits, "
        f"{1 - together / apart:.1%} cheaper than one visit for each task"
    )


def site_machines(random: Random, site: str, catalogue: Catalogue) -> Iterator[Machine]:
    builds = [random.choice(MACHINES)]
    if random.random() < 0.3:
        builds.append(random.choice(MACHINES))
    if random.random() < 0.5:
        builds.append(random.choice(GRINDERS))
    if random.random() < 0.4:
        builds.append(FILTER)
    for number, build in enumerate(builds):
        yield Machine(
            id=f"{site}/{number}",
            site=site,
            name=f"{build.kind} {number}",
            build=build,
            installed_on=date(2024, 1, 1),
            drinks_per_day=200.0,
            parts=tuple(
                FittedPart(
                    id=f"{site}/{number}/{place.part_type}/{place.position}",
                    part_type=place.part_type,
                    position=place.position,
                    fitted_on=date(2024, 1, 1),
                )
                for place in places_in(build, catalogue)
            ),
        )


def due(random: Random, machine: Machine, catalogue: Catalogue) -> Iterator[DueTask]:
    """Every rule at a random point of its interval; parts of one type mostly in step."""
    for rule in catalogue.rules.values():
        if rule.every_visit or not machine.build.suits(rule.applies_to):
            continue
        points = rule.interval.months_by_drinks
        interval = int((points[0][1] if points else 12) * 30.4)
        age = random.random() * interval
        parts: list[FittedPart | None] = [
            part for part in machine.parts if part.part_type == rule.part_type
        ]
        for part in parts if rule.part_type is not None else [None]:
            if random.random() < 0.15:
                age = random.random() * interval
            target = TODAY + timedelta(days=int(interval - age))
            late = rule.late_share if rule.authority is Authority.PRACTICE else 0.0
            yield DueTask(
                id=f"{machine.id}/{part.position if part else ''}/{rule.id}",
                machine=machine.id,
                site=machine.site,
                rule=rule.id,
                fitted_part=part.id if part else None,
                anchor=target - timedelta(days=interval),
                earliest=target - timedelta(days=int(rule.early_share * interval)),
                target=target,
                latest=target + timedelta(days=int(late * interval)),
                hard=rule.authority is not Authority.PRACTICE,
                because="drawn at random",
            )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 10_000)
