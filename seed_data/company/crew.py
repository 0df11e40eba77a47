"""Who was sent where on a day of the past."""

import tomllib
from collections.abc import Sequence
from datetime import date, datetime, time
from pathlib import Path
from random import Random
from zoneinfo import ZoneInfo

from scheduler.places import Coordinates
from scheduler.travel import StraightLineTravel
from scheduler.waters import Barrier
from scheduler.weekly_hours import WeeklyHours
from seed_data.company.records import Absence, Site, Technician

_BY_NEARNESS = (6, 3, 2)  # weights of the nearest, the second and the third nearest
_NOON = time(12)


def barriers() -> tuple[Barrier, ...]:
    """Return the waters of ``barriers.toml``."""
    text = (Path(__file__).parent / "barriers.toml").read_text(encoding="utf-8")
    return tuple(Barrier.from_document(each) for each in tomllib.loads(text)["barriers"])


class Crew:
    """The technicians with their drives to every site."""

    def __init__(
        self,
        technicians: Sequence[Technician],
        absences: Sequence[Absence],
        sites: Sequence[Site],
    ) -> None:
        self._absences = absences
        self._weeks = {each.id: WeeklyHours.parse(each.working_hours) for each in technicians}
        homes = [Coordinates(lat=each.lat, lon=each.lon) for each in technicians]
        cafes = [Coordinates(lat=each.lat, lon=each.lon) for each in sites]
        minutes = StraightLineTravel(barriers=barriers()).between([*homes, *cafes]).minutes
        self._nearest_first: dict[str, list[Technician]] = {}
        for site, drives in zip(sites, minutes[len(homes) :, : len(homes)].tolist(), strict=True):
            by_drive = sorted(range(len(homes)), key=drives.__getitem__)
            self._nearest_first[site.id] = [technicians[index] for index in by_drive]

    def sent_to(
        self, site: Site, day: date, skills: frozenset[str], rng: Random
    ) -> Technician | None:
        """Return a technician with the skills who works that day, mostly the nearest."""
        able = [
            each
            for each in self._nearest_first[site.id]
            if skills <= set(each.skills) and self._works(each, day)
        ]
        if not able:
            return None
        near = able[: len(_BY_NEARNESS)]
        return rng.choices(near, _BY_NEARNESS[: len(near)])[0]

    def _works(self, technician: Technician, day: date) -> bool:
        noon = datetime.combine(day, _NOON, ZoneInfo(technician.zone))
        return bool(self._weeks[technician.id].on(day)) and not any(
            absence.technician_id == technician.id and absence.starts_at <= noon < absence.ends_at
            for absence in self._absences
        )
