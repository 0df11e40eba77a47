"""Which work falls due when, and why: rule + fitted part + history + duty → due task."""

from dataclasses import dataclass
from datetime import date


@dataclass(frozen=True, slots=True, kw_only=True)
class DueTask:
    """One piece of work that falls due on one machine.

    ``earliest`` ≤ ``target`` ≤ ``latest`` are whole days at the site; ``hard`` means ``latest`` is
    set by law or by the maker and may never be passed. ``because`` says in words which rule and
    which history made it.
    """

    id: str  # machine, fitted part, rule and anchor: the same work always has the same id
    machine: str
    site: str
    rule: str
    fitted_part: str | None
    anchor: date
    earliest: date
    target: date
    latest: date
    hard: bool
    because: str
