"""The search for the cheapest visits to one site, compiled. Importing this imports numba.

Few lots are grouped exactly; many by cutting several rows of them into neighbours, then joining
groups and moving, exchanging and setting apart lots while that helps.
"""

import hashlib
from pathlib import Path
from typing import Final, NamedTuple

import numpy as np

from scheduler import grouping, visit_costs, visit_estimate, visit_steps
from scheduler.grouping import Floats, Integers, cheapest_cut, cheapest_partition
from scheduler.routing.kernel.compiling import compiled, compiled_entry, usable_folder
from scheduler.routing.loading import first_in_turn
from scheduler.visit_costs import Site, best_day, group_cost, minutes_and_shutdowns

EXACT_LOTS: Final = 10  # above, 2 ** lots groups are too many to cost for each of many sites
REGROUPED_LOTS: Final = 9  # of a few groups, grouped anew exactly when nothing simpler helps
TRIES: Final = 150_000  # over the fourth power of the lots: how often to start anew
GAIN: Final = 1e-6  # smaller gains are rounding


class Desk(NamedTuple):
    """Room to work in: compiled code that counts no references must not make arrays."""

    members: Integers
    best: Floats
    choice: Integers
    cut_costs: Floats
    set_costs: Floats
    group_of: Integers
    group_costs: Floats
    moved: Integers

    @classmethod
    def for_lots(cls, count: int, exact_lots: int = EXACT_LOTS) -> "Desk":
        """A desk large enough for so many lots, ``exact_lots`` of which are grouped exactly."""
        sets = 1 << max(REGROUPED_LOTS, min(count, exact_lots))
        return cls(
            members=np.zeros(count + 1, np.int64),
            best=np.zeros(max(sets, count + 1), np.float64),
            choice=np.zeros(max(sets, count + 1), np.int64),
            cut_costs=np.zeros((count, count + 1), np.float64),
            set_costs=np.zeros(sets, np.float64),
            group_of=np.zeros(count, np.int64),
            group_costs=np.zeros(count + 1, np.float64),
            moved=np.zeros(count, np.int64),
        )


@compiled
def _cost(site: Site, desk: Desk, shared: int, group: int) -> float:
    """Cost of a group as it stands."""
    count = 0
    for lot in range(shared):
        if desk.group_of[lot] == group:
            desk.members[count] = lot
            count += 1
    return group_cost(site, desk.members, count) if count else 0.0


@compiled
def _group_exactly(site: Site, desk: Desk, shared: int) -> float:
    for group in range(1, 1 << shared):
        count = 0
        for lot in range(shared):
            if group >> lot & 1:
                desk.members[count] = lot
                count += 1
        desk.set_costs[group] = group_cost(site, desk.members, count)
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
                cost = group_cost(site, desk.members, end - first)
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
def _improve(site: Site, desk: Desk, shared: int, order: Integers, thoroughly: bool) -> float:
    """Join groups and rearrange lots while that saves anything; return the total cost.

    What costs more to try is tried only ``thoroughly``, and when nothing simpler helps.
    """
    for group in range(shared):
        desk.group_costs[group] = _cost(site, desk, shared, group)
    better = True
    while better:
        better = False
        for group in range(shared):
            for other in range(group):
                better |= _join(site, desk, shared, group, other)
        for lot in range(shared):
            better |= _move(site, desk, shared, lot)
        if thoroughly and not better:
            for lot in range(shared):
                better |= _move_block(site, desk, shared, lot)
            if not better:
                better = _exchange(site, desk, shared)
            for group in range(shared):
                if not better:
                    better |= _set_apart(site, desk, shared, group, order)
            for group in range(shared):
                for other in range(group):
                    for third in range(-1, other):  # -1: these two only
                        if not better:
                            better |= _regroup(site, desk, shared, group, other, third)
    total = 0.0
    for group in range(shared):
        total += desk.group_costs[group]
    return total


@compiled
def _empty_group(desk: Desk, shared: int) -> int:
    for group in range(shared):
        if desk.group_costs[group] == 0:
            return group
    return -1


@compiled
def _is_better(site: Site, desk: Desk, shared: int, group: int, other: int) -> bool:
    """Whether two groups cost less as they stand than they did; then that is noted."""
    first = _cost(site, desk, shared, group)
    if first == np.inf:
        return False
    second = _cost(site, desk, shared, other)
    if first + second >= desk.group_costs[group] + desk.group_costs[other] - GAIN:
        return False
    desk.group_costs[group] = first
    desk.group_costs[other] = second
    return True


@compiled
def _join(site: Site, desk: Desk, shared: int, group: int, other: int) -> bool:
    if desk.group_costs[group] == 0 or desk.group_costs[other] == 0:
        return False
    count = 0
    for lot in range(shared):
        desk.moved[lot] = desk.group_of[lot] == group
        if desk.moved[lot] or desk.group_of[lot] == other:
            desk.members[count] = lot
            count += 1
    joined = group_cost(site, desk.members, count)
    if joined >= desk.group_costs[group] + desk.group_costs[other] - GAIN:
        return False
    for lot in range(shared):
        if desk.moved[lot]:
            desk.group_of[lot] = other
    desk.group_costs[other] = joined
    desk.group_costs[group] = 0.0
    return True


@compiled
def _move(site: Site, desk: Desk, shared: int, lot: int) -> bool:
    """Move a lot to the first group, perhaps an empty one, where that saves something."""
    home = desk.group_of[lot]
    desk.group_of[lot] = -1
    without = _cost(site, desk, shared, home)
    empty = _empty_group(desk, shared)
    for group in range(shared):
        if group != home and (desk.group_costs[group] > 0 or group == empty):
            desk.group_of[lot] = group
            cost = _cost(site, desk, shared, group)
            if cost + without < desk.group_costs[group] + desk.group_costs[home] - GAIN:
                desk.group_costs[group] = cost
                desk.group_costs[home] = without
                return True
    desk.group_of[lot] = home
    return False


@compiled
def _move_block(site: Site, desk: Desk, shared: int, first: int) -> bool:
    """Move all that a group does at the machine of a lot, or only what needs it that far off.

    One by one they do not move: each alone would have its machine shut down twice.
    """
    home = desk.group_of[first]
    empty = _empty_group(desk, shared)
    for only_rank in range(2):
        count = 0
        for lot in range(shared):
            desk.moved[lot] = (
                desk.group_of[lot] == home
                and site.lots[lot].machine == site.lots[first].machine
                and (only_rank == 0 or site.lots[lot].rank == site.lots[first].rank)
            )
            count += desk.moved[lot]
            if desk.moved[lot] and lot < first:
                count = 0  # it was tried when that lot was the first
                break
        if count < 2:
            continue
        for group in range(shared):
            if group != home and (desk.group_costs[group] > 0 or group == empty):
                for lot in range(shared):
                    if desk.moved[lot]:
                        desk.group_of[lot] = group
                if _is_better(site, desk, shared, group, home):
                    return True
                for lot in range(shared):
                    if desk.moved[lot]:
                        desk.group_of[lot] = home
    return False


@compiled
def _exchange(site: Site, desk: Desk, shared: int) -> bool:
    """Let two lots of different groups change places where that saves something."""
    better = False
    for lot in range(shared):
        for other in range(lot):
            home, away = desk.group_of[lot], desk.group_of[other]
            if home == away:
                continue
            desk.group_of[lot], desk.group_of[other] = away, home
            if _is_better(site, desk, shared, home, away):
                better = True
            else:
                desk.group_of[lot], desk.group_of[other] = home, away
    return better


@compiled
def _regroup(site: Site, desk: Desk, shared: int, group: int, other: int, third: int) -> bool:
    """Group the lots of two or three groups anew, exactly, when they are few enough."""
    before = desk.group_costs[group] + desk.group_costs[other]
    if desk.group_costs[group] == 0 or desk.group_costs[other] == 0:
        return False
    if third >= 0:
        if desk.group_costs[third] == 0:
            return False
        before += desk.group_costs[third]
    count = 0
    for lot in range(shared):
        at = desk.group_of[lot]
        if at in (group, other, third):
            if count == REGROUPED_LOTS:
                return False
            desk.moved[count] = lot
            count += 1
    for together in range(1, 1 << count):
        size = 0
        for n in range(count):
            if together >> n & 1:
                desk.members[size] = desk.moved[n]
                size += 1
        desk.set_costs[together] = group_cost(site, desk.members, size)
    total = cheapest_partition(count, desk.set_costs, desk.best, desk.choice)
    if total >= before - GAIN:
        return False
    desk.group_costs[group] = 0.0
    desk.group_costs[other] = 0.0
    if third >= 0:
        desk.group_costs[third] = 0.0
    left = (1 << count) - 1
    while left:
        empty = _empty_group(desk, shared)
        for n in range(count):
            if desk.choice[left] >> n & 1:
                desk.group_of[desk.moved[n]] = empty
        desk.group_costs[empty] = desk.set_costs[desk.choice[left]]
        left ^= desk.choice[left]
    return True


@compiled
def _set_apart(site: Site, desk: Desk, shared: int, group: int, order: Integers) -> bool:
    """Cut a group in two at some place of the row it was made from."""
    empty = _empty_group(desk, shared)
    if desk.group_costs[group] == 0 or empty < 0:
        return False
    count = 0
    for place in range(shared):
        if desk.group_of[order[place]] == group:
            desk.group_of[order[place]] = empty
            desk.moved[count] = order[place]
            count += 1
            if _is_better(site, desk, shared, empty, group):
                return True
    for n in range(count):
        desk.group_of[desk.moved[n]] = group
    return False


@compiled
def _try_again(site: Site, desk: Desk, order: Integers, group_of: Integers, total: float) -> float:
    """Take two groups apart, improve, and keep what is better; the fewer lots the more often.

    Filled in: the best groups found. Which groups are taken follows from the numbers of the site
    alone, so that the same site is always grouped the same way.
    """
    shared = order.shape[0]
    chance = shared
    for _ in range(TRIES // shared**4):
        for lot in range(shared):
            desk.group_of[lot] = group_of[lot]
        for _ in range(2):
            # D. H. Lehmer's generator with the multiplier of Park and Miller
            chance = chance * 48271 % 2147483647
            apart = desk.group_of[chance % shared]
            for lot in range(shared):
                desk.group_costs[lot] = 0.0
            for lot in range(shared):
                desk.group_costs[desk.group_of[lot]] = 1.0  # in use
            for lot in range(shared):
                if desk.group_of[lot] == apart:
                    empty = _empty_group(desk, shared)
                    if empty >= 0:
                        desk.group_of[lot] = empty
                        desk.group_costs[empty] = 1.0
        cost = _improve(site, desk, shared, order, False)
        if cost < total - GAIN:
            cost = _improve(site, desk, shared, order, True)
            total = cost
            for lot in range(shared):
                group_of[lot] = desk.group_of[lot]
    return total


def _search(
    site: Site,
    desk: Desk,
    orders: Integers,
    group_of: Integers,
    days: Integers,
    costs: Floats,
    alone_costs: Floats,
    exact_lots: int,
) -> float:
    """Group the first lots of a site and cost each of the others by itself.

    Parameters
    ----------
    orders
        Rows of the lots to be grouped, in the orders worth cutting, shape ``(orders, lots)``.
    group_of, days, costs
        Filled in: the group of each lot to be grouped, and for each group the day and the cost
        beside the minutes at the site.
    alone_costs
        Filled in: the cost of a visit for each single lot of the site, grouped or not.
    exact_lots
        Up to so many lots are grouped exactly; the desk has to be made for it.

    Returns
    -------
    The cost of all groups.
    """
    for lot in range(site.lots.shape[0]):
        desk.members[0] = lot
        alone_costs[lot] = group_cost(site, desk.members, 1)
    shared = orders.shape[1]
    if shared == 0:
        return 0.0
    total = np.inf
    if shared <= exact_lots:
        total = _group_exactly(site, desk, shared)
        for lot in range(shared):
            group_of[lot] = desk.group_of[lot]
    else:
        for n in range(orders.shape[0]):
            _group_neighbours(site, desk, orders[n])
            cost = _improve(site, desk, shared, orders[n], False)
            if cost < total - GAIN:
                total = cost
                for lot in range(shared):
                    group_of[lot] = desk.group_of[lot]
        for lot in range(shared):
            desk.group_of[lot] = group_of[lot]
        total = _improve(site, desk, shared, orders[0], True)
        for lot in range(shared):
            group_of[lot] = desk.group_of[lot]
        total = _try_again(site, desk, orders[0], group_of, total)
    for group in range(shared):
        count = 0
        for lot in range(shared):
            if group_of[lot] == group:
                desk.members[count] = lot
                count += 1
        if count:
            days[group] = best_day(site, desk.members, count)[0]
            at_site, _ = minutes_and_shutdowns(site, desk.members, count)
            costs[group] = group_cost(site, desk.members, count) - at_site
    return total


_MODULES: Final = (grouping, visit_costs, visit_estimate, visit_steps)


def _cache_folder() -> Path | None:
    """A folder named after all that the compiled code is made of, this file's imports included."""
    base = usable_folder(None)
    if base is None:
        return None
    digest = hashlib.sha256()
    for source in (__file__, *(str(module.__file__) for module in _MODULES)):
        digest.update(Path(source).read_bytes())
    return base / f"visits-{digest.hexdigest()[:12]}"


_FOLDER: Final = _cache_folder()

search = first_in_turn(compiled_entry(_search, _FOLDER), _FOLDER)
