"""What a visit, a minute and a day early or late are worth to the company."""

from dataclasses import dataclass

from scheduler.errors import InvalidInput


@dataclass(frozen=True, slots=True, kw_only=True)
class BundlingPolicy:
    """What the company weighs. Defaults are common practice, no source.

    Attributes
    ----------
    visit_minutes : set-up of a visit, its share of the drive and the call-out, in minutes of
        travel equivalent, >= 0.
    shutdown_minutes : what it costs the café to do without a machine, each time one is taken out
        of service, in minutes of travel equivalent, >= 0.
    failure_minutes : what a failure costs beyond the planned work, in minutes of travel
        equivalent, >= 0. Each day late costs this times the chance of a failure on that day: by the
        part's law of life where that is known, else as if a whole interval late meant one failure.
    money_minor_per_minute : how much money (minor units) one minute is worth, > 0.
    maximum_minutes : how long a visit may take, > 0. Work that takes longer alone still gets its
        visit.
    overdue_within_days : an overdue task asks for a visit within so many days, >= 0.
    """

    visit_minutes: float = 45.0
    shutdown_minutes: float = 15.0
    failure_minutes: float = 300.0
    money_minor_per_minute: float = 100.0
    maximum_minutes: int = 240
    overdue_within_days: int = 5

    def __post_init__(self) -> None:
        for name in ("visit_minutes", "shutdown_minutes", "failure_minutes", "overdue_within_days"):
            if not getattr(self, name) >= 0:
                raise InvalidInput(f"{name} must be >= 0, got {getattr(self, name)}")
        for name in ("money_minor_per_minute", "maximum_minutes"):
            if not getattr(self, name) > 0:
                raise InvalidInput(f"{name} must be > 0, got {getattr(self, name)}")
