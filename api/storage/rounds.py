"""The published calendar as rounds: who is where, when, with what to do."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from itertools import groupby

from sqlmodel import Session, col, select

from api.storage.tables import AppointmentRow, SiteRow, TechnicianRow, VisitRow
from scheduler.lifecycle import AppointmentState
from scheduler.working_time import local_date


@dataclass(frozen=True, slots=True, kw_only=True)
class RoundStop:
    """One appointment of a round. Times are UTC; ``travel_minutes`` is the drive to it.

    ``call_minutes`` are spent at the workshop on the way; None where the round does not call there.
    """

    appointment: str
    visit: str
    kind: str
    starts_at: datetime
    ends_at: datetime
    state: AppointmentState
    travel_minutes: int
    call_minutes: int | None = None
    site: str
    town: str
    lat: float
    lon: float
    headlines: tuple[str, ...]
    urgent: bool

    @property
    def minutes(self) -> int:
        """Minutes on site."""
        return round((self.ends_at - self.starts_at).total_seconds() / 60)

    @property
    def way(self) -> str:
        """How long it takes to get there, in words."""
        drive = f"{self.travel_minutes} min"
        return drive if self.call_minutes is None else f"{drive} + workshop {self.call_minutes} min"

    @property
    def sets_out_at(self) -> datetime:
        """When to leave for it at the latest."""
        return self.starts_at - timedelta(minutes=self.travel_minutes + (self.call_minutes or 0))


@dataclass(frozen=True, slots=True, kw_only=True)
class DayRound:
    """One technician's appointments of one local day, in order."""

    day: date
    technician: str
    name: str
    home: tuple[float, float]
    zone: str
    stops: tuple[RoundStop, ...]

    @property
    def work_minutes(self) -> int:
        """Minutes on site, all stops together."""
        return sum(stop.minutes for stop in self.stops)

    @property
    def travel_minutes(self) -> int:
        """Minutes of driving to the stops; the way home is not kept with any of them."""
        return sum(stop.travel_minutes for stop in self.stops)


def rounds_between(session: Session, start: datetime, end: datetime) -> tuple[DayRound, ...]:
    """Return the rounds of the appointments that begin in ``[start, end)``, none cancelled.

    In order of day and technician's name; days without appointments have no round.
    """
    rows = session.exec(
        select(AppointmentRow, VisitRow, SiteRow, TechnicianRow)
        .join(VisitRow, col(VisitRow.id) == col(AppointmentRow.visit_id))
        .join(SiteRow, col(SiteRow.id) == col(VisitRow.site_id))
        .join(TechnicianRow, col(TechnicianRow.id) == col(AppointmentRow.technician_id))
        .where(AppointmentRow.starts_at >= start, AppointmentRow.starts_at < end)
        .where(col(AppointmentRow.state) != AppointmentState.CANCELLED)
    ).all()
    stops = [
        (local_date(row.starts_at, person.zone), person, _stop(row, visit, site))
        for row, visit, site, person in rows
    ]
    stops.sort(key=lambda entry: (entry[0], entry[1].name, entry[1].id, entry[2].starts_at))
    return tuple(
        _round(entries) for _, entries in groupby(stops, key=lambda entry: (entry[0], entry[1].id))
    )


def _round(entries: Iterable[tuple[date, TechnicianRow, RoundStop]]) -> DayRound:
    listed = list(entries)
    day, person, _ = listed[0]
    return DayRound(
        day=day,
        technician=person.id,
        name=person.name,
        home=(person.lat, person.lon),
        zone=person.zone,
        stops=tuple(stop for _, _, stop in listed),
    )


def _stop(row: AppointmentRow, visit: VisitRow, site: SiteRow) -> RoundStop:
    return RoundStop(
        appointment=row.id,
        visit=visit.id,
        kind=visit.kind,
        starts_at=row.starts_at,
        ends_at=row.ends_at,
        state=AppointmentState(row.state),
        travel_minutes=row.travel_minutes,
        call_minutes=row.call_minutes,
        site=site.name,
        town=site.town,
        lat=site.lat,
        lon=site.lon,
        headlines=tuple(visit.headlines),
        urgent=visit.urgency in ("danger", "stopped"),
    )
