"""How fast a large company's due dates, a year's outlook and its bundling are worked out, in sum.

    python -m tests.benchmarks.upkeep_and_bundling [machines]

Machines of 25 parts, two at a site (``upkeep.py``). Prints CPU seconds on one core for half of them
and for all, and the most memory held.
"""

import sys
from collections.abc import Sequence
from datetime import timedelta
from itertools import groupby
from resource import RUSAGE_SELF, getrusage
from time import process_time

from scheduler.bundling import bundle_site
from scheduler.bundling_policy import BundlingPolicy
from scheduler.catalogue import Catalogue
from scheduler.duty import stated_duty
from scheduler.machines import Machine
from scheduler.outlook import combined, months_of
from scheduler.upkeep import MachineUpkeep
from scheduler.visit_estimate import VisitEstimates
from seed_data.catalogue import load_catalogue
from tests.benchmarks.upkeep import TODAY, machines

HORIZON = TODAY + timedelta(days=28)


def all_seconds(fleet: Sequence[Machine], catalogue: Catalogue) -> tuple[float, str]:
    estimates = VisitEstimates(catalogue)
    begun = process_time()
    tasks = visits = 0
    outlooks = []
    for _, at_site in groupby(fleet, key=lambda machine: machine.site):
        site = list(at_site)
        upkeeps = [
            MachineUpkeep(m, catalogue, stated_duty(m, catalogue, hardness_dh=14), ()) for m in site
        ]
        due = [task for upkeep in upkeeps for task in upkeep.due(HORIZON)]
        found = bundle_site(due, site, catalogue, BundlingPolicy(), TODAY, HORIZON, estimates)
        tasks, visits = tasks + len(due), visits + len(found.bundles)
        outlooks += [months_of(each, start=TODAY, hour_rate_minor=65_00) for each in upkeeps]
    year = sum(month.tasks for month in combined(outlooks))
    seconds = process_time() - begun
    return seconds, f"{tasks} due tasks, {visits} visits, {year} tasks in the year ahead"


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000
    catalogue = load_catalogue()
    fleet = machines(count, catalogue)
    all_seconds(fleet[:20], catalogue)  # loads compiled code
    half, _ = all_seconds(fleet[: count // 2], catalogue)
    whole, said = all_seconds(fleet, catalogue)
    print(f"{count // 2} machines: {half:.1f} s; {count} machines: {whole:.1f} s, {said}")
    print(f"twice the machines: {whole / half:.2f} times the time")
    print(f"most memory: {getrusage(RUSAGE_SELF).ru_maxrss / 1024:.0f} MiB")


if __name__ == "__main__":
    main()
