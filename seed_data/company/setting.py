"""What ``company.toml`` says about the company, and the stretch of history before its demo day."""

import tomllib
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from random import Random

from scheduler.dates import add_months

_MONTHS_OF_HISTORY = 30


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """The company's name, place and demo day, and the seed of everything drawn at random."""

    name: str
    zone: str
    currency: str
    holiday_country: str
    workshop_lat: float
    workshop_lon: float
    planning_day: date
    seed: int

    @property
    def history_start(self) -> date:
        """The first day of recorded history."""
        return add_months(self.planning_day, -_MONTHS_OF_HISTORY)

    def random(self, *subject: str) -> Random:
        """Return the random numbers of one subject, whatever the others draw."""
        return Random(f"{self.seed}/{'/'.join(subject)}")


def read_setting(path: Path = Path(__file__).parent / "company.toml") -> Setting:
    """Read ``company.toml``."""
    return Setting(**tomllib.loads(path.read_text(encoding="utf-8")))
