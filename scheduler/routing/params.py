"""How the search behaves. None of it changes what a good plan is, only how soon one is found."""

from dataclasses import dataclass

from scheduler.errors import InvalidParams


@dataclass(frozen=True, slots=True, kw_only=True)
class Params:
    """Settings of the route search, measured on problems of 80 to 2,500 visits.

    Attributes
    ----------
    hottest
        Temperature at the start, in minutes of travel equivalent, > 0. A plan dearer by this much
        is accepted once in e (2.7) times; about the cost of a short detour.
    hottest_when_crowded
        Temperature at the start when the first plan leaves out more than `crowded_share` of the
        visits: what then matters is who is served, so the cost of leaving one out sets the scale.
    crowded_share
        Share of the visits, from 0 to 1.
    hottest_when_warm
        Temperature at the start when a plan is given to start from, which much more heat would
        only take apart. With less, a repaired plan drives further for as many changes.
    coldest
        Temperature at the end, > 0 and at most the three above. One minute: the unit of cost.
    least_removed, removed_per_visit, most_removed
        Visits taken out per iteration on average: the number of visits times the second, but at
        least the first (>= 1) and at most the third. More makes bigger changes, more slowly; large
        problems gain from it.
    longest_string
        Most visits taken out of one round at once, >= 1.
    split_share
        Share of the strings that spare some visits in their middle, from 0 to 1.
    regret_share_per_visit, least_regret_share
        Share of the iterations that put back first what would lose most by waiting: the number of
        visits times the first, at least the second, at most 1. Worth its time on large problems.
    swap_share
        Share of the iterations in which a visit that fits nowhere may take the place of one
        that is cheaper to leave out, from 0 to 1.
    absent_limit
        Most left-out visits tried again per iteration, >= 1.
    full_scan_share
        Share of the iterations in which left-out visits look at all rounds and not only at those
        just opened, from 0 to 1.
    blinking_share
        Share of the iterations in which every visit put back overlooks one round in four, from 0
        to 1. Finds visits that are cheap to make together and dear one by one.
    reluctance
        How much dearer an idle round looks at most, in minutes, >= 0; how much is drawn for each
        iteration. What is accepted is judged by true costs.
    homing_share
        Share of the iterations, from 0 to 1, that begin with a visit away from the one round where
        it would cost less than on all others, as one moved from where it is published: strings are
        taken out of both rounds, so that it may return. No part where no visit has such a round.
    first_turn_per_visit, turn_per_visit
        Iterations for each visit of the problem that the first turn of a long search takes, and
        every later one, >= 1.
    note_per_visit
        Iterations for each visit of the problem between two looks at the rounds of a turn, >= 1.
        With half as many looks, plans of small problems came out dearer.
    least_turns
        A search is long, and made in turns, if its iterations make at least so many first turns,
        >= 1.
    neighbours
        Nearest visits known to each visit, >= 1. Memory grows with it.
    """

    hottest: float = 60.0
    hottest_when_crowded: float = 150.0
    crowded_share: float = 0.05
    hottest_when_warm: float = 10.0
    coldest: float = 1.0
    least_removed: float = 10.0
    removed_per_visit: float = 0.01
    most_removed: float = 25.0
    longest_string: int = 10
    split_share: float = 0.5
    regret_share_per_visit: float = 1 / 2500
    least_regret_share: float = 0.1
    swap_share: float = 0.5
    absent_limit: int = 30
    full_scan_share: float = 0.02
    blinking_share: float = 0.05
    reluctance: float = 0.0
    homing_share: float = 0.2
    first_turn_per_visit: int = 1000
    turn_per_visit: int = 200
    note_per_visit: int = 10
    least_turns: float = 8.0
    neighbours: int = 100

    def __post_init__(self) -> None:
        for name in ("hottest", "hottest_when_crowded", "hottest_when_warm", "coldest"):
            self._require(name, getattr(self, name) > 0, "must be > 0")
        for name in ("hottest", "hottest_when_crowded", "hottest_when_warm"):
            self._require(name, getattr(self, name) >= self.coldest, "must be >= coldest")
        for name in (
            "least_removed",
            "longest_string",
            "absent_limit",
            "neighbours",
            "first_turn_per_visit",
            "turn_per_visit",
            "note_per_visit",
            "least_turns",
        ):
            self._require(name, getattr(self, name) >= 1, "must be >= 1")
        for name in (
            "crowded_share",
            "split_share",
            "least_regret_share",
            "swap_share",
            "full_scan_share",
            "blinking_share",
            "homing_share",
        ):
            self._require(name, 0 <= getattr(self, name) <= 1, "must be from 0 to 1")
        self._require(
            "most_removed",
            self.most_removed >= self.least_removed,
            "must be >= least_removed",
        )
        for name in ("regret_share_per_visit", "removed_per_visit", "reluctance"):
            self._require(name, getattr(self, name) >= 0, "must be >= 0")

    def _require(self, name: str, holds: bool, rule: str) -> None:
        if not holds:
            raise InvalidParams(name, f"{rule}, got {getattr(self, name)}")

    def regret_share(self, n_visits: int) -> float:
        """Return the share of regret iterations for a problem of some size."""
        return min(1.0, max(self.least_regret_share, n_visits * self.regret_share_per_visit))

    def is_long(self, iterations: float, n_visits: int) -> bool:
        """Tell whether a search of so many iterations is made in turns."""
        return iterations >= self.least_turns * self.first_turn_per_visit * max(1, n_visits)

    def mean_removed(self, n_visits: int) -> float:
        """Return how many visits to take out per iteration in a problem of some size."""
        return min(
            self.most_removed,
            max(self.least_removed, n_visits * self.removed_per_visit),
        )

    def first_temperature(self, n_visits: int, n_left_out: int, warm: bool) -> float:
        """Return the temperature to start at after a first plan.

        Parameters
        ----------
        n_visits, n_left_out
            Of the problem, and of those how many the first plan leaves out.
        warm
            Whether the first plan was made from a given one.
        """
        if n_left_out > self.crowded_share * n_visits:
            return self.hottest_when_crowded
        return self.hottest_when_warm if warm else self.hottest
