"""When a search stops, and how far it is."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Iterations:
    """Stop after a number of iterations, >= 0: the same plan every time."""

    count: int

    def __post_init__(self) -> None:
        if self.count < 0:
            raise ValueError(f"count must be >= 0, got {self.count}")


@dataclass(frozen=True, slots=True)
class Seconds:
    """Stop after some seconds, >= 0, counted from the call without the time to compile."""

    seconds: float

    def __post_init__(self) -> None:
        if not self.seconds >= 0:
            raise ValueError(f"seconds must be >= 0, got {self.seconds}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Progress:
    """How far a search is.

    Attributes
    ----------
    iterations
        Done so far, by each of the searches; 0 when the first plan stands.
    seconds
        Since the search began.
    cost
        Total cost of the best plan so far, in minutes of travel equivalent.
    """

    iterations: int
    seconds: float
    cost: int
