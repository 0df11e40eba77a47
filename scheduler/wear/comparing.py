"""Whether lives of different kinds really differ, or may be judged together.

The log-rank test: at each failure age the failures of each group against its share of those at
risk. N. Mantel, *Cancer Chemotherapy Reports* 50 (1966) 163-170; for more than two groups R. Peto
and J. Peto, *J. Roy. Statist. Soc. A* 135 (1972) 185-207.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from enum import StrEnum

import numpy as np
from scipy.special import chdtrc

from scheduler.duty import DutyClass
from scheduler.wear.lives import Life
from scheduler.wear.records import PartRecord, lives_of

SURE = 0.05
"""Lives differ when chance would show as much less often than this (common practice)."""

FEWEST_FAILURES = 10
"""With fewer failures only a gross difference would show (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class GroupOfLives:
    """One group in a comparison: what failed, and what would have if all groups were alike."""

    name: str
    lives: int
    failures: int
    expected_failures: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """The log-rank test of two groups of lives or more.

    Attributes
    ----------
    chi_square, freedom
        The statistic, and its degrees of freedom: groups less one.
    p_value
        How often chance alone would show so great a difference.
    """

    groups: tuple[GroupOfLives, ...]
    chi_square: float
    freedom: int
    p_value: float

    @property
    def differ(self) -> bool:
        """Whether the groups have to be judged apart."""
        return self.p_value < SURE

    @property
    def because(self) -> str:
        """The verdict in one sentence."""
        names = [group.name for group in self.groups]
        listed = f"{', '.join(names[:-1])} and {names[-1]}"
        failures = sum(group.failures for group in self.groups)
        numbers = f"{failures} failures, chi-square {self.chi_square:.2f}, p = {self.p_value:.2g}"
        if self.differ:
            ratios = {g.name: g.failures / g.expected_failures for g in self.groups}
            worst = max(ratios, key=lambda name: ratios[name])
            return (
                f"Lives differ between {listed}, shortest with {worst} ({numbers}): "
                "judge them apart."
            )
        if failures < FEWEST_FAILURES:
            return (
                f"No difference between {listed} can be seen, but so few have failed that only a "
                f"gross one would show ({numbers}): leave them apart."
            )
        return f"No difference between {listed} can be seen ({numbers}): they may be pooled."


def log_rank(groups: Mapping[str, Sequence[Life]]) -> Comparison | None:
    """Compare the lives of several groups, right-censored and left-truncated ones included.

    Groups that were never at risk when one failed say nothing and are left out; None when fewer
    than two are left.

    Parameters
    ----------
    groups
        Name -> lives, all in one unit.
    """
    ages = sorted({life.age for lives in groups.values() for life in lives if life.failed})
    told = {
        name: lives
        for name, lives in groups.items()
        if any(life.known_from < age <= life.age for life in lives for age in ages)
    }
    if len(told) < 2:
        return None
    count = len(told)
    group = np.repeat(np.arange(count), [len(lives) for lives in told.values()])
    lives_told = [life for lives in told.values() for life in lives]
    known_from = np.array([life.known_from for life in lives_told])
    end = np.array([life.age for life in lives_told])
    failed = np.array([life.failed for life in lives_told])
    observed, expected = np.zeros(count), np.zeros(count)
    covariance = np.zeros((count, count))
    for age in ages:
        at_risk = np.bincount(group[(known_from < age) & (age <= end)], minlength=count)
        fails = np.bincount(group[failed & (end == age)], minlength=count)
        total, deaths = at_risk.sum(), fails.sum()
        shares = at_risk / total
        observed += fails
        expected += deaths * shares
        if total > 1:
            spread = deaths * (total - deaths) / (total - 1)
            covariance += spread * (np.diag(shares) - np.outer(shares, shares))
    # the differences add up to nothing, so one of the groups is left out of the quadratic form
    excess = (observed - expected)[:-1]
    statistic = float(excess @ np.linalg.pinv(covariance[:-1, :-1]) @ excess)
    return Comparison(
        groups=tuple(
            GroupOfLives(
                name=name,
                lives=len(lives),
                failures=int(observed[n]),
                expected_failures=float(expected[n]),
            )
            for n, (name, lives) in enumerate(told.items())
        ),
        chi_square=statistic,
        freedom=count - 1,
        p_value=float(chdtrc(count - 1, max(0.0, statistic))),
    )


class ComparedBy(StrEnum):
    """What tells the groups of a comparison apart."""

    DUTY = "duty"
    POSITION = "position"
    FITTED = "fitted"


def compare_parts(
    records: Iterable[PartRecord], duty: DutyClass, today: date, *, changed_on: date | None = None
) -> Mapping[ComparedBy, Comparison]:
    """Compare the lives of one part type by what could make them differ.

    All of them by class of duty; those of one class by position and, when something changed (a
    rule, a supplier), by whether they began before that day. What cannot be compared is left out.

    Raises
    ------
    InvalidInput
        As for :func:`scheduler.wear.records.lives_of`.
    """
    by_duty: dict[str, list[Life]] = {f"{each} duty": [] for each in DutyClass}
    by_position: defaultdict[str, list[Life]] = defaultdict(list)
    by_fitting: defaultdict[str, list[Life]] = defaultdict(list)
    for record in sorted(records, key=lambda record: record.position):
        for begun, life in lives_of(record, today):
            by_duty[f"{record.duty} duty"].append(life)
            if record.duty is not duty:
                continue
            by_position[record.position].append(life)
            if changed_on is not None:
                word = "before" if begun < changed_on else "since"
                by_fitting[f"fitted {word} {changed_on}"].append(life)
    groups: dict[ComparedBy, Mapping[str, Sequence[Life]]] = {
        ComparedBy.DUTY: by_duty,
        ComparedBy.POSITION: by_position,
        ComparedBy.FITTED: by_fitting,
    }
    found = {by: log_rank(lives) for by, lives in groups.items()}
    return {by: comparison for by, comparison in found.items() if comparison is not None}
