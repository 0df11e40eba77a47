"""How much dearer than the cheapest grouping of all the search for many lots is.

    python -m tests.benchmarks.bundling_gap [sites]

Draws sites at random (same seed, same sites) from the real catalogue and leaves of each so many
tasks that 9 to 14 lots remain; costs them by the search and exactly, over all groupings. Prints the
mean and the worst excess of the search, by how many machines the site has. Minutes are those of
the worksheets; at several machines those the exact grouping goes by are close to them, no more.
"""

import sys
from datetime import timedelta
from random import Random
from statistics import mean
from time import process_time

from scheduler.bundling import _kept_apart, _search
from scheduler.bundling_policy import BundlingPolicy
from scheduler.lots import lots_of
from scheduler.visit_estimate import VisitEstimates
from seed_data.catalogue import load_catalogue
from tests.benchmarks.bundle_many_sites import HORIZON, TODAY, due, site_machines

FEWEST, MOST = 9, 14


def main(sites: int) -> None:
    random = Random(5)
    catalogue = load_catalogue()
    estimates = VisitEstimates(catalogue)
    policy = BundlingPolicy()
    excess: dict[int, list[float]] = {}
    seconds = [0.0, 0.0]
    for number in range(sites):
        machines = list(site_machines(random, f"site{number}", catalogue))
        tasks = [task for machine in machines for task in due(random, machine, catalogue)]
        tasks = [task for task in tasks if task.earliest < HORIZON + timedelta(days=60)]
        random.shuffle(tasks)
        wanted = random.randint(FEWEST, MOST)
        by_id = {machine.id: machine for machine in machines}
        lots = max(_kept_apart(lots_of(tasks, by_id, policy, TODAY, estimates, {})), key=len)
        if len(lots) < wanted:
            continue
        lots = sorted(lots[:wanted], key=lambda lot: (lot.target, lot.latest, lot.tasks[0].id))
        if not excess:  # loads compiled code
            _search(lots, policy, policy.maximum_minutes, estimates, 1)
        costs = []
        for way, exact_lots in enumerate((1, MOST)):
            begun = process_time()
            found = _search(lots, policy, policy.maximum_minutes, estimates, exact_lots)
            seconds[way] += process_time() - begun
            costs.append(
                sum(
                    visit.cost_beside_minutes + visit.figures(estimates).times.minutes
                    for visit in found
                )
            )
        excess.setdefault(len({lot.machine.id for lot in lots}), []).append(costs[0] / costs[1] - 1)
    for machine_count, shares in sorted(excess.items()):
        print(
            f"{len(shares)} sites with {machine_count} machines: {mean(shares):.2%} dearer on "
            f"average, {max(shares):.2%} at worst, "
            f"{sum(share < 1e-9 for share in shares) / len(shares):.0%} as cheap as can be"
        )
    every = [share for shares in excess.values() for share in shares]
    print(f"all {len(every)}: {mean(every):.2%} on average, {max(every):.2%} at worst")
    search, exact = (1000 * each / len(every) for each in seconds)
    print(f"{search:.2f} ms a site by the search, {exact:.2f} ms exactly")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 300)
