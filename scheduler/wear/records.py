"""What a company's records tell of the lives of its parts."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date

from scheduler.duty import DutyClass
from scheduler.errors import InvalidInput
from scheduler.wear.lives import Life, life_in_days

Kind = tuple[str, DutyClass]  # part type, and how hard its machine is worked


@dataclass(frozen=True, slots=True, kw_only=True)
class Renewal:
    """Work that made a part as good as new while it stayed in its place."""

    on: date
    failed: bool  # it was done because the part had failed


@dataclass(frozen=True, slots=True, kw_only=True)
class PartRecord:
    """One fitted part as it stands in the records.

    Attributes
    ----------
    removed_on, failed
        When it was taken out, None while it runs, and whether because it had failed.
    renewals
        In any order; those on the day of removal belong to its successor.
    records_begin
        The first day on which a failure of this part would have been written down.
    """

    part: str
    part_type: str
    machine: str
    position: str
    duty: DutyClass
    fitted_on: date
    removed_on: date | None
    failed: bool
    renewals: tuple[Renewal, ...]
    records_begin: date

    @property
    def good_since(self) -> date:
        """The day it was last new, or made as good as new."""
        return max([self.fitted_on, *(renewal.on for renewal in self.renewals)])


def lives_of(record: PartRecord, today: date) -> Iterator[tuple[date, Life]]:
    """Yield the lives a part has had, from each renewal to the next, with the day each began.

    Those that say nothing are left out.

    Raises
    ------
    InvalidInput
        When the dates contradict each other; the part is named.
    """
    begin = record.fitted_on
    ends: list[tuple[date | None, bool]] = [
        (renewal.on, renewal.failed)
        for renewal in sorted(record.renewals, key=lambda renewal: renewal.on)
        if record.removed_on is None or renewal.on < record.removed_on
    ]
    for end, failed in [*ends, (record.removed_on, record.failed)]:
        try:
            life = life_in_days(
                fitted_on=begin,
                removed_on=end,
                failed=failed,
                today=today,
                records_begin=record.records_begin,
            )
        except InvalidInput as refusal:
            raise InvalidInput(f"part {record.part}: {refusal}") from refusal
        if life is not None:
            yield begin, life
        begin = end or begin


def lives_by_kind(records: Iterable[PartRecord], today: date) -> Mapping[Kind, tuple[Life, ...]]:
    """Return the lives of each part type in each class of duty.

    Raises
    ------
    InvalidInput
        As for :func:`lives_of`.
    """
    lives: defaultdict[Kind, list[Life]] = defaultdict(list)
    for record in records:
        lives[record.part_type, record.duty] += [life for _, life in lives_of(record, today)]
    return {kind: tuple(found) for kind, found in sorted(lives.items())}
