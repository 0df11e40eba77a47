"""The invented demo company: its CSV files and the generator that makes them."""

import tomllib
from datetime import date
from pathlib import Path

COMPANY_FOLDER = Path(__file__).parent


def planning_day() -> date:
    """Return the day the demo calls today."""
    with (COMPANY_FOLDER / "company.toml").open("rb") as file:
        day: date = tomllib.load(file)["planning_day"]
    return day
