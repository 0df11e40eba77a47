"""The search for the cheapest visits to one site, compiled. Importing this imports numba.

A *lot* is a row of :data:`LOT`: tasks that are always done together. The minutes of a group of lots
are those of its worksheet, added up instead of put in order: exact for one machine, for several
what no order of work can undercut. Few lots are grouped exactly; many by cutting several rows of
them into neighbours and then moving lots and joining groups while that helps.
"""

import hashlib
from pathlib import Path
from typing import Final, NamedTuple

import numpy as np

from scheduler import grouping, visit_estimate, work_order
from scheduler.grouping import Floats, Integers, cheapest_cut, cheapest_partition
from scheduler.routing.kernel.compiling import compiled, compiled_entry, usable_folder
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
EXACT_LOTS: Final = 10  # above, 2 ** lots groups are too many to cost
GAIN: Final = 1e-6  # smaller gains are rounding
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


class Desk(NamedTuple):
    """Room to work in: compiled code that counts no references must not make arrays."""

    members: Integers
    best: Floats
    choice: Integers
    cut_costs: Floats
    set_costs: Floats
    group_of: Integers
    group_costs: Floats

    @classmethod
    def for_lots(cls, count: int) -> "Desk":
        """A desk large enough for so many lots."""
        sets = 1 << min(count, EXACT_LOTS)
        return cls(
            members=np.zeros(count + 1, np.int64),
            best=np.zeros(max(sets, count + 1), np.float64),
            choice=np.zeros(max(sets, count + 1), np.int64),
            cut_costs=np.zeros((count, count + 1), np.float64),
            set_costs=np.zeros(sets, np.float64),
            group_of=np.zeros(count, np.int64),
            group_costs=np.zeros(count + 1, np.float64),
        )


@compiled
def _bits(mask: int) -> int:
    count = 0
    while mask:
        mask &= mask - 1
        count += 1
    return count


@compiled
def _sum_over(mask: int, minutes: Floats) -> float:
    total = 0.0
    for n in range(minutes.shape[0]):
        if mask >> n & 1:
            total += minutes[n]
    return total


@compiled
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


@compiled
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


@compiled
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


@compiled
def _best_day(site: Site, members: Integers, count: int) -> tuple[int, float]:
    """The cheapest day for a group; the cost is infinite when the lots' days do not meet.

    The cost is convex in the day and bends at target days only.
    """
    first, last = site.lots[members[0]].earliest, site.lots[members[0]].latest
    for k in range(1, count):
        first = max(first, site.lots[members[k]].earliest)
        last = min(last, site.lots[members[k]].latest)
    if first > last:
        return first, np.inf
    best_day, best = first, _deviation(site, members, count, first)
    for k in range(-1, count):
        day = last if k < 0 else site.lots[members[k]].target
        if first < day <= last:
            cost = _deviation(site, members, count, day)
            if cost < best or (cost == best and day < best_day):
                best_day, best = day, cost
    return best_day, best


@compiled
def _group_cost(site: Site, members: Integers, count: int) -> float:
    _, deviation = _best_day(site, members, count)
    if deviation == np.inf:
        return np.inf
    at_site, out_of_service = _visit(site, members, count)
    if count > 1 and at_site > site.maximum_minutes:
        return np.inf
    return site.visit_minutes + at_site + site.shutdown_minutes * out_of_service + deviation


@compiled
def _cost_of(site: Site, desk: Desk, shared: int, group: int, without: int, added: int) -> float:
    """Cost of a group as it stands, less the lot ``without`` and with ``added`` (-1: none)."""
    count = 0
    for lot in range(shared):
        if (desk.group_of[lot] == group and lot != without) or lot == added:
            desk.members[count] = lot
            count += 1
    return _group_cost(site, desk.members, count) if count else 0.0


@compiled
def _group_exactly(site: Site, desk: Desk, shared: int) -> float:
    for group in range(1, 1 << shared):
        count = 0
        for lot in range(shared):
            if group >> lot & 1:
                desk.members[count] = lot
                count += 1
        desk.set_costs[group] = _group_cost(site, desk.members, count)
    total = cheapest_partition(shared, desk.set_costs, desk.best, desk.choice)
    left, group = (1 << shared) - 1, 0
    while left:
        for lot in range(shared):
            if desk.choice[left] >> lot & 1:
                desk.group_of[lot] = group
        left ^= desk.choice[left]
        group += 1
    return total


@compiled
def _group_neighbours(site: Site, desk: Desk, order: Integers) -> None:
    shared = order.shape[0]
    for end in range(1, shared + 1):
        allowed = True
        for first in range(end - 1, -1, -1):
            desk.members[end - 1 - first] = order[first]
            cost = np.inf
            if allowed:
                cost = _group_cost(site, desk.members, end - first)
                allowed = cost < np.inf  # a longer group is not allowed either
            desk.cut_costs[first, end] = cost
    cheapest_cut(shared, desk.cut_costs, desk.best, desk.choice)
    end, group = shared, 0
    while end > 0:
        for place in range(desk.choice[end], end):
            desk.group_of[order[place]] = group
        end = int(desk.choice[end])
        group += 1


@compiled
def _improve(site: Site, desk: Desk, shared: int) -> float:
    """Join groups and move single lots while that saves anything; return the total cost."""
    for group in range(shared):
        desk.group_costs[group] = _cost_of(site, desk, shared, group, -1, -1)
    better = True
    while better:
        better = False
        for group in range(shared):
            for other in range(group):
                if desk.group_costs[group] > 0 and desk.group_costs[other] > 0:
                    better |= _join(site, desk, shared, group, other)
        for lot in range(shared):
            better |= _move(site, desk, shared, lot)
    total = 0.0
    for group in range(shared):
        total += desk.group_costs[group]
    return total


@compiled
def _join(site: Site, desk: Desk, shared: int, group: int, other: int) -> bool:
    count = 0
    for lot in range(shared):
        if desk.group_of[lot] == group or desk.group_of[lot] == other:
            desk.members[count] = lot
            count += 1
    joined = _group_cost(site, desk.members, count)
    if joined >= desk.group_costs[group] + desk.group_costs[other] - GAIN:
        return False
    for lot in range(shared):
        if desk.group_of[lot] == group:
            desk.group_of[lot] = other
    desk.group_costs[other] = joined
    desk.group_costs[group] = 0.0
    return True


@compiled
def _move(site: Site, desk: Desk, shared: int, lot: int) -> bool:
    """Move a lot to the group, perhaps an empty one, where that saves most."""
    home = desk.group_of[lot]
    left = _cost_of(site, desk, shared, home, lot, -1)
    best, best_gain, best_cost = -1, GAIN, 0.0
    tried_empty = False
    for group in range(shared):
        empty = desk.group_costs[group] == 0
        if group == home or (empty and tried_empty):
            continue
        tried_empty |= empty
        cost = _cost_of(site, desk, shared, group, -1, lot)
        gain = desk.group_costs[home] - left - (cost - desk.group_costs[group])
        if gain > best_gain:
            best, best_gain, best_cost = group, gain, cost
    if best < 0:
        return False
    desk.group_of[lot] = best
    desk.group_costs[home] = left
    desk.group_costs[best] = best_cost
    return True


def _search(
    site: Site,
    desk: Desk,
    orders: Integers,
    group_of: Integers,
    days: Integers,
    costs: Floats,
    alone_costs: Floats,
) -> float:
    """Group the first lots of a site and cost each of the others by itself.

    Parameters
    ----------
    orders
        Rows of the lots to be grouped, in the orders worth cutting, shape ``(orders, lots)``.
    group_of, days, costs
        Filled in: the group of each lot to be grouped, and the day and cost of each group.
    alone_costs
        Filled in: the cost of a visit for each single lot of the site, grouped or not.

    Returns
    -------
    The cost of all groups.
    """
    for lot in range(site.lots.shape[0]):
        desk.members[0] = lot
        alone_costs[lot] = _group_cost(site, desk.members, 1)
    shared = orders.shape[1]
    if shared == 0:
        return 0.0
    total = np.inf
    if shared <= EXACT_LOTS:
        total = _group_exactly(site, desk, shared)
        for lot in range(shared):
            group_of[lot] = desk.group_of[lot]
    else:
        for n in range(orders.shape[0]):
            _group_neighbours(site, desk, orders[n])
            cost = _improve(site, desk, shared)
            if cost < total - GAIN:
                total = cost
                for lot in range(shared):
                    group_of[lot] = desk.group_of[lot]
    for group in range(shared):
        count = 0
        for lot in range(shared):
            if group_of[lot] == group:
                desk.members[count] = lot
                count += 1
        if count:
            days[group] = _best_day(site, desk.members, count)[0]
            costs[group] = _group_cost(site, desk.members, count)
    return total


def _cache_folder() -> Path | None:
    """A folder named after all that the compiled code is made of, this file's imports included."""
    base = usable_folder(None)
    if base is None:
        return None
    digest = hashlib.sha256()
    for source in (__file__, grouping.__file__, visit_estimate.__file__, work_order.__file__):
        digest.update(Path(source).read_bytes())
    return base / f"visits-{digest.hexdigest()[:12]}"


search = compiled_entry(_search, _cache_folder())
