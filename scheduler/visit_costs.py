"""What a group of lots costs as one visit, compiled. Importing this imports numba.

A *lot* is a row of :data:`LOT`: tasks that are always done together. The minutes of a group of lots
are those of its worksheet, added up instead of put in order: exact for one machine, unless it is
stopped, and close for several.
"""

from typing import Final, NamedTuple

import numpy as np

from scheduler.grouping import Floats, Integers
from scheduler.routing.kernel.compiling import compiled, inlined
from scheduler.visit_estimate import TALLY, Records
from scheduler.visit_steps import (
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
    """Minutes of a set of access steps, looked up eight steps at a time."""
    total = 0.0
    eight = 0
    while mask:
        total += minutes[eight, mask & 0xFF]
        mask >>= 8
        eight += 1
    return total


@inlined
def _at_machine(
    site: Site, machine: int, members: Integers, count: int
) -> tuple[int, float, float, float, float, bool]:
    """Strictest state, hands-on minutes, those before a wait, idle cooling and heating, open.

    The rank is -1 when none of the members is at the machine. The idle minutes are those of the
    waits in which nothing can be done at the machine; 0 at one that does not heat up again. Open is
    one under power that is taken apart: nobody turns to another machine meanwhile.
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
        return rank, 0.0, 0.0, 0.0, 0.0, False
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
    if rank == DEAD:
        hands_on += DEAD_MINUTES + REFIT_MINUTES + POWER_ON_MINUTES
    elif rank == COLD and not build.wet:
        hands_on += UNPLUG_MINUTES + REFIT_MINUTES
    if rank < COLD or not build.wet:
        return rank, hands_on, hands_on, 0.0, 0.0, before > 0 or shut_off > 0
    hands_on += (
        SHUT_DOWN_MINUTES
        + ZERO_GAUGE_MINUTES
        + REFIT_MINUTES
        + REFILL_MINUTES
        + POWER_ON_MINUTES
        + BLEED_MINUTES * build.groups
    )
    opened_cold = (cold | in_reheat) & build.covers & ~before
    beside_cooling = dead_minutes + _sum_over(opened_cold, site.open_minutes)
    beside_heating = reheat_minutes + _sum_over(in_reheat, site.close_minutes)
    return (
        rank,
        hands_on,
        AS_FOUND_MINUTES + SHUT_DOWN_MINUTES + beside_cooling,
        max(0.0, build.cooling - beside_cooling),
        max(0.0, build.heating - beside_heating),
        before > 0,
    )


@inlined
def minutes_and_shutdowns(site: Site, members: Integers, count: int) -> tuple[float, int]:
    """Minutes at the site, and machines taken out of service.

    The machine with the longest chain is begun first. Beside its cooling goes what can be done at
    the others, beside the last heating what is left of that, and the paperwork beside whichever has
    room first.
    """
    out_of_service = 0
    total = SITE_MINUTES + PAPERWORK_MINUTES
    longest, cooling, heating, lead_before = 0.0, 0.0, np.inf, 0.0
    before_waits, at_open, at_others = 0.0, 0.0, 0.0
    for machine in range(site.machine_builds.shape[0]):
        rank, hands, before, cools, heats, is_open = _at_machine(site, machine, members, count)
        if rank < 0:
            continue
        out_of_service += rank > 0
        total += hands
        if heats > 0:
            before_waits += before
            heating = min(heating, heats)
            if hands + cools + heats > longest:
                longest, cooling, lead_before = hands + cools + heats, cools, before
        elif is_open:
            at_open += before
        else:
            at_others += before
    if longest == 0:
        return total, out_of_service
    cooling = max(0.0, cooling - (before_waits - lead_before))
    if cooling > 0:
        cooling = max(0.0, cooling - at_open)
        at_open = 0.0  # all of it goes beside the cooling, however long it takes
    beside = min(cooling, at_others)
    cooling -= beside
    heating = max(0.0, heating - at_open - (at_others - beside))
    if cooling > 0:
        return total + max(0.0, cooling - PAPERWORK_MINUTES) + heating, out_of_service
    return total + max(0.0, heating - PAPERWORK_MINUTES), out_of_service


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
    at_site, out_of_service = minutes_and_shutdowns(site, members, count)
    if count > 1 and at_site > site.maximum_minutes:
        return np.inf
    return site.visit_minutes + at_site + site.shutdown_minutes * out_of_service + deviation
