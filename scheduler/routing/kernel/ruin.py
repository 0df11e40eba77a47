"""Which visits to take out: strings of neighbouring rounds.

After Christiaens and Vanden Berghe, "Slack Induction by String Removals for Vehicle Routing
Problems", Transportation Science 54(2), 2020, section 5.1.
"""

from scheduler.routing.kernel.chance import below, uniform
from scheduler.routing.kernel.compiling import compiled
from scheduler.routing.kernel.layout import (
    ABSENT,
    BASE,
    HOME_ROW,
    ITERATION,
    LENGTH,
    OPENED_AT,
    ROW_OF,
    USED,
    VISIT,
    VISIT_PINNED,
    Rules,
    Search,
    World,
)
from scheduler.routing.kernel.rows import remove


@compiled
def position_of(search: Search, visit: int) -> int:
    """Return where a visit stands in its row; 1 is the first."""
    base = search.rows[search.states[visit, ROW_OF], BASE]
    position = 1
    while search.nodes[base + position, VISIT] != visit:
        position += 1
    return position


@compiled
def remove_string(world: World, search: Search, rules: Rules, visit: int, longest: float) -> None:
    """Take out a string of visits around `visit`, sometimes sparing some in its middle."""
    row = search.states[visit, ROW_OF]
    length = search.rows[row, LENGTH]
    count = 1 + below(search, min(int(longest), length))
    spared = 0
    if count > 1 and uniform(search) < rules.split_share:
        while count + spared < length and (spared == 0 or uniform(search) < 0.5):
            spared += 1
    span = count + spared
    position = position_of(search, visit)
    first = max(1, position - span + 1)
    last = min(position, length - span + 1)
    begin = first + below(search, last - first + 1)
    keep_begin = begin + 1 + below(search, max(1, count - 1))
    remove(world, search, row, begin, begin + span, keep_begin, keep_begin + spared)


@compiled
def next_away(world: World, search: Search, visit: int) -> int:
    """Return a visit, or the first one after it, that is made but not on its home row; -1 if none.

    Without a home no visit is away.
    """
    n_visits = search.states.shape[0]
    for _ in range(n_visits):
        row, home = search.states[visit, ROW_OF], world.visits[visit, HOME_ROW]
        if home >= 0 and row >= 0 and row != home:
            return visit
        visit = visit + 1 if visit + 1 < n_visits else 0
    return -1


@compiled
def open_home(world: World, search: Search, rules: Rules, away: int, longest: float) -> int:
    """Take a string out of the home row of a visit, near it; return how many, 0 or 1."""
    home = world.visits[away, HOME_ROW]
    for step in range(world.near.shape[1]):
        visit = world.near[away, step]
        if search.states[visit, ROW_OF] == home and world.visits[visit, VISIT_PINNED] == 0:
            remove_string(world, search, rules, visit, longest)
            return 1
    return 0


@compiled
def ruin(world: World, search: Search, rules: Rules) -> None:
    """Take strings out of the rounds nearest to a random visit.

    Now and then to one that is away from home, its home row being the first.
    """
    n_visits = search.states.shape[0]
    planned = n_visits - search.tally[ABSENT]
    # a mean over idle rounds would never empty one
    longest = min(float(rules.longest_string), 1.0 + planned / max(1, search.tally[USED]))
    most_strings = 4.0 * rules.mean_removed / (1.0 + longest) - 1.0
    strings = 1 + int(uniform(search) * max(1.0, most_strings))
    centre = below(search, n_visits)
    if rules.homing_share > 0 and uniform(search) < rules.homing_share:
        away = next_away(world, search, centre)
        if away >= 0:
            centre = away
            strings = max(1, strings - open_home(world, search, rules, away, longest))
    for step in range(world.near.shape[1]):
        visit = world.near[centre, step]
        row = search.states[visit, ROW_OF]
        if row < 0 or search.rows[row, OPENED_AT] == search.tally[ITERATION]:
            continue
        if world.visits[visit, VISIT_PINNED] == 1:
            continue
        remove_string(world, search, rules, visit, longest)
        strings -= 1
        if strings == 0:
            break
