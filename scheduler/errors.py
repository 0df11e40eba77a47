"""What can go wrong in the engine.

    SteamroundError
    ├── InvalidInput            a value, file or table that breaks its own rules
    │   ├── InvalidCatalogue
    │   ├── InvalidProblem
    │   ├── InvalidPlan
    │   └── UnknownZone
    └── Impossible              a sound question with no answer
        └── NoWorkingTime

Errors are nouns with fields; the edge of the program turns them into words for its own medium.
"""

from dataclasses import dataclass
from datetime import datetime


class SteamroundError(Exception):
    """Base of everything this package raises on purpose."""


class InvalidInput(SteamroundError):
    """A value breaks its own rules; the message shows the value and says what to do."""


class Impossible(SteamroundError):
    """The question is sound but has no answer."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Flaw:
    """One thing wrong with a file or value.

    Attributes
    ----------
    path
        Where it stands, such as ``visits[3].minutes``.
    message
        What is wrong, with the value, and what would be right.
    """

    path: str
    message: str

    def __str__(self) -> str:
        return f"{self.path}: {self.message}"


class InvalidProblem(InvalidInput):
    """A planning problem breaks its own rules; every flaw found is listed."""

    def __init__(self, flaws: tuple[Flaw, ...]) -> None:
        super().__init__(flaws)
        self.flaws = flaws

    def __str__(self) -> str:
        return "\n".join(map(str, self.flaws))


class InvalidPlan(InvalidInput):
    """A plan file breaks its own rules; every flaw found is listed."""

    def __init__(self, flaws: tuple[Flaw, ...]) -> None:
        super().__init__(flaws)
        self.flaws = flaws

    def __str__(self) -> str:
        return "\n".join(map(str, self.flaws))


class NoWorkingTime(Impossible):
    """A calendar holds no working time for a year, so a number of working minutes never ends."""

    def __init__(self, zone: str, start: datetime, working_minutes: int) -> None:
        self.zone = zone
        self.start = start
        self.working_minutes = working_minutes
        super().__init__(
            f"{working_minutes} working minutes from {start:%Y-%m-%d %H:%M}Z ({zone}) never end: "
            "the calendar has no opening hours for a year"
        )


class UnknownZone(InvalidInput):
    """No such zone in the time zone database; ``key`` is the name that was given."""

    def __init__(self, key: str) -> None:
        self.key = key
        super().__init__(f"time zone must be an IANA name such as Europe/Berlin, got {key!r}")
