"""How fast due dates and a year's outlook are worked out for a large company.

    python -m tests.benchmarks.upkeep [machines]

Makes machines of 25 parts with two and a half years of history (10,000 unless told otherwise) and
prints CPU seconds on one core for half and for all of them, and the most memory held.
"""

import sys
from collections.abc import Sequence
from datetime import date, timedelta
from random import Random
from resource import RUSAGE_SELF, getrusage
from time import process_time

from scheduler.catalogue import BoilerLayout, Catalogue, Dosing, EquipmentKind
from scheduler.duty import stated_duty
from scheduler.machines import Build, FittedPart, Machine, WorkDone, places_in
from scheduler.outlook import combined, months_ahead
from scheduler.upkeep import due_tasks
from seed_data.catalogue import load_catalogue

TODAY = date(2026, 7, 1)
PARTS = 25
HISTORY_DAYS = 912


def machines(count: int, catalogue: Catalogue) -> list[Machine]:
    build = Build(
        kind=EquipmentKind.ESPRESSO_MACHINE,
        boiler_layout=BoilerLayout.SEPARATE_BOILERS,
        groups=2,
        dosing=Dosing.VOLUMETRIC,
        features=frozenset({"pressure_switch", "electronic_temperature", "statutory_inspection"}),
    )
    places = places_in(build, catalogue)[:PARTS]
    rng = Random(1)
    made = []
    for number in range(count):
        installed_on = TODAY - timedelta(days=HISTORY_DAYS)
        parts = tuple(
            FittedPart(
                id=f"{number}-{n}",
                part_type=place.part_type,
                position=place.position,
                fitted_on=installed_on,
            )
            for n, place in enumerate(places)
        )
        history = tuple(
            WorkDone(
                rule=rule.id,
                fitted_part=part.id,
                done_on=installed_on + timedelta(days=rng.randrange(HISTORY_DAYS)),
            )
            for part in parts
            for rule in catalogue.rules_by_part.get(part.part_type, ())
        )
        made.append(
            Machine(
                id=str(number),
                site=str(number // 2),
                name="M",
                build=build,
                installed_on=installed_on,
                drinks_per_day=rng.uniform(30, 500),
                parts=parts,
                history=history,
            )
        )
    return made


def due_seconds(fleet: Sequence[Machine], catalogue: Catalogue) -> tuple[float, int]:
    begun = process_time()
    tasks = sum(
        len(
            due_tasks(
                machine,
                catalogue,
                stated_duty(machine, catalogue, hardness_dh=14),
                until=date.max,
            )
        )
        for machine in fleet
    )
    return process_time() - begun, tasks


def outlook_seconds(fleet: Sequence[Machine], catalogue: Catalogue) -> tuple[float, int]:
    begun = process_time()
    company = combined(
        months_ahead(
            machine,
            catalogue,
            stated_duty(machine, catalogue, hardness_dh=14),
            start=TODAY,
            hour_rate_minor=65_00,
        )
        for machine in fleet
    )
    return process_time() - begun, sum(month.tasks for month in company)


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000
    catalogue = load_catalogue()
    fleet = machines(count, catalogue)
    for name, measure in (("due dates", due_seconds), ("outlook", outlook_seconds)):
        for share in (fleet[: count // 2], fleet):
            seconds, tasks = measure(share, catalogue)
            print(f"{name}: {len(share)} machines, {tasks} tasks, {seconds:.1f} s")
    print(f"most memory: {getrusage(RUSAGE_SELF).ru_maxrss / 1024:.0f} MiB")


if __name__ == "__main__":
    main()
