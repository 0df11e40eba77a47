"""What a group of lots costs as one visit, compiled. Importing this imports numba.

A *lot* is a row of :data:`LOT`: tasks that are always done together. The minutes of a group of lots
are those of its worksheet, added up instead of put in order: exact for one machine, for several
what no order of work can undercut.
"""

from typing import Final, NamedTuple

import numpy as np

from scheduler.grouping import Floats, Integers
from scheduler.routing.kernel.compiling import compiled, inlined
from scheduler.visit_estimate import TALLY, Records
from scheduler.work_order import (
    ARRIVE_MINUTES,
    AS_FOUND_MINUTES,
    BLEED_MINUTES,
    CHECK_MINUTES,
    DEAD_MINUTES,
    HAND_OVER_MINUTES,
    PAPERWORK_MINUTES,
    POWER_ON_MINUTES,
    READING_MINUTES,
    REFILL_MINUTES,
    REFIT_MINUTES,
    SHUT_DOWN_MINUTES,
    SHUT_OFF_MINUTES,
    TAKE_OUT_MINUTES,
    TRIAL_MINUTES,
    UNPLUG_MINUTES,
    ZERO_GAUGE_MINUTES,
)

LOT: Final = np.dtype(
    [
        *((name, TALLY[name]) for name in TALLY.names or ()),
        ("machine", np.int64),  # row of Site.machine_builds
        ("earliest", np.int64),  # days as ordinals
        ("target", np.int64),
        ("latest", np.int64),
        ("early_per_day", np.float64),  # minutes of travel equivalent
        ("late_per_day", np.float64),
    ]
)
HOT: Final = 1  # ranks of the states
DEAD: Final = 2
COLD: Final = 3
SITE_MINUTES: Final = ARRIVE_MINUTES + HAND_OVER_MINUTES


class Site(NamedTuple):
    """One site's lots and the tables behind them."""

    lots: Records
    machine_builds: Integers
    builds: Records
    every_visit: Records
    open_minutes: Floats
    close_minutes: Floats
    visit_minutes: float
    shutdown_minutes: float
    maximum_minutes: float


@inlined
def _bits(mask: int) -> int:
    count = 0
    while mask:
        mask &= mask - 1
        count += 1
    return count


@inlined
def _sum_over(mask: int, minutes: Floats) -> float:
    total = 0.0
    n = 0
    while mask:
        if mask & 1:
            total += minutes[n]
        mask >>= 1
        n += 1
    return total


@inlined
def _at_machine(
    site: Site, machine: int, members: Integers, count: int
) -> tuple[int, float, float, float]:
    """Strictest state, hands-on minutes, chain with its waits, and where paperwork fits in.

    The rank is -1 when none of the members is at the machine. The last value is the minutes that
    the visit grows by when the paperwork is done in the first wait that is free.
    """
    rank = -1
    hot, before, cold, in_reheat, readings = 0, 0, 0, 0, 0
    shut_off, shut_off_access = 0, 0
    minutes, dead_minutes, reheat_minutes = 0.0, 0.0, 0.0
    for k in range(count):
        lot = site.lots[members[k]]
        if lot.machine == machine:
            rank = max(rank, lot.rank)
            hot |= lot.hot
            before |= lot.before_shut_down
            cold |= lot.cold
            in_reheat |= lot.in_reheat
            shut_off |= lot.shut_off
            shut_off_access |= lot.shut_off_access
            readings |= lot.readings
            minutes += lot.minutes
            dead_minutes += lot.dead_minutes
            reheat_minutes += lot.reheat_minutes
    if rank < 0:
        return rank, 0.0, 0.0, 0.0
    number = site.machine_builds[machine]
    build = site.builds[number]
    always = site.every_visit[number, rank]
    hot |= always.hot
    before |= always.before_shut_down
    cold |= always.cold
    in_reheat |= always.in_reheat
    shut_off |= always.shut_off
    shut_off_access |= always.shut_off_access
    readings |= always.readings
    dead_minutes += always.dead_minutes
    reheat_minutes += always.reheat_minutes
    if rank == COLD:
        cold |= shut_off_access
    else:
        before |= shut_off_access
    access = before | cold | in_reheat
    hands_on = (
        AS_FOUND_MINUTES
        + CHECK_MINUTES
        + READING_MINUTES * _bits(readings)
        + TRIAL_MINUTES * build.groups
        + minutes
        + always.minutes
        + reheat_minutes
        + _sum_over(access, site.open_minutes)
        + _sum_over(access, site.close_minutes)
    )
    if rank < COLD and shut_off:
        hands_on += SHUT_OFF_MINUTES
    if rank == HOT or hot or (rank == DEAD and (shut_off or reheat_minutes > 0)):
        hands_on += TAKE_OUT_MINUTES
    if rank < DEAD:
        return rank, hands_on, hands_on, PAPERWORK_MINUTES
    if rank == DEAD:
        hands_on += DEAD_MINUTES + REFIT_MINUTES + POWER_ON_MINUTES
        return rank, hands_on, hands_on, PAPERWORK_MINUTES
    if not build.wet:
        hands_on += UNPLUG_MINUTES + REFIT_MINUTES
        return rank, hands_on, hands_on, PAPERWORK_MINUTES
    hands_on += (
        SHUT_DOWN_MINUTES
        + ZERO_GAUGE_MINUTES
        + REFIT_MINUTES
        + REFILL_MINUTES
        + POWER_ON_MINUTES
        + BLEED_MINUTES * build.groups
    )
    opened_cold = (cold | in_reheat) & build.covers & ~before
    idle_cooling = build.cooling - dead_minutes - _sum_over(opened_cold, site.open_minutes)
    idle_heating = build.heating - reheat_minutes - _sum_over(in_reheat, site.close_minutes)
    chain = hands_on + max(0.0, idle_cooling) + max(0.0, idle_heating)
    paperwork = PAPERWORK_MINUTES
    if idle_cooling > 0:
        paperwork = max(0.0, PAPERWORK_MINUTES - idle_cooling)
    elif idle_heating > 0:
        paperwork = max(0.0, PAPERWORK_MINUTES - idle_heating)
    return rank, hands_on, chain, paperwork


@inlined
def _visit(site: Site, members: Integers, count: int) -> tuple[float, float]:
    """Minutes at the site, and machines taken out of service."""
    machines, out_of_service = 0, 0
    hands_on, longest, paperwork = 0.0, 0.0, 0.0
    for machine in range(site.machine_builds.shape[0]):
        rank, hands, chain, extra = _at_machine(site, machine, members, count)
        if rank >= 0:
            machines += 1
            out_of_service += rank > 0
            hands_on += hands
            longest = max(longest, chain)
            paperwork = extra
    if machines == 1:
        return SITE_MINUTES + longest + paperwork, out_of_service
    return SITE_MINUTES + max(hands_on + PAPERWORK_MINUTES, longest), out_of_service


@inlined
def _deviation(site: Site, members: Integers, count: int, day: int) -> float:
    """Wasted life of what is done early and risk of what is done late."""
    total = 0.0
    for k in range(count):
        lot = site.lots[members[k]]
        if day < lot.target:
            total += (lot.target - day) * lot.early_per_day
        else:
            total += (day - lot.target) * lot.late_per_day
    return total


@inlined
def best_day(site: Site, members: Integers, count: int) -> tuple[int, float]:
    """The cheapest day for a group; the cost is infinite when the lots' days do not meet.

    The cost is convex in the day and bends at target days only: from the first day on it is
    followed from bend to bend, as long as it falls.
    """
    day, last = site.lots[members[0]].earliest, site.lots[members[0]].latest
    for k in range(1, count):
        day = max(day, site.lots[members[k]].earliest)
        last = min(last, site.lots[members[k]].latest)
    if day > last:
        return day, np.inf
    while day < last:
        per_day, bend = 0.0, last
        for k in range(count):
            lot = site.lots[members[k]]
            if day < lot.target:
                per_day -= lot.early_per_day
                bend = min(bend, lot.target)
            else:
                per_day += lot.late_per_day
        if per_day >= 0:
            break
        day = bend
    return day, _deviation(site, members, count, day)


@compiled
def group_cost(site: Site, members: Integers, count: int) -> float:
    _, deviation = best_day(site, members, count)
    if deviation == np.inf:
        return np.inf
    at_site, out_of_service = _visit(site, members, count)
    if count > 1 and at_site > site.maximum_minutes:
        return np.inf
    return site.visit_minutes + at_site + site.shutdown_minutes * out_of_service + deviation
