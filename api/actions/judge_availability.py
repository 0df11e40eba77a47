"""How available machines were: by callbacks, stays, standstills and the work written down."""

from collections import defaultdict
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta

from sqlmodel import Session, col, select

from api.storage.part_records import records_begin
from api.storage.tables import (
    AppointmentRow,
    CallbackRow,
    ContractRow,
    MachineRow,
    SiteRow,
    StandstillRow,
    StayRow,
    WorkDoneRow,
)
from scheduler.availability import Availability, Downtime, availability
from scheduler.catalogue import Catalogue, MachineState
from scheduler.company import Urgency
from scheduler.dates import add_months
from scheduler.errors import TooShortlyWatched
from scheduler.lifecycle import AppointmentState
from scheduler.machines import Outcome
from scheduler.wear.machine_wear import SiteTrend, site_trend
from scheduler.wear.part_wear import FailurePolicy

_STANDSTILLS = (Urgency.DANGER, Urgency.STOPPED)
"""A machine that is reported as less bad than this goes on being used."""

_HOUR = timedelta(hours=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class MachineAvailability:
    """How available one machine was since ``watched_from``."""

    machine: str
    watched_from: date
    availability: Availability


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteAvailability:
    """How available the machines of a site were, and whether they fail ever faster.

    ``trend`` is None with failures in fewer than two months.
    """

    machines: tuple[MachineAvailability, ...]
    trend: SiteTrend | None


def availability_of_machine(
    session: Session, catalogue: Catalogue, machine: MachineRow, *, now: datetime
) -> MachineAvailability:
    """Return how available a machine was since its failures were written down.

    Raises
    ------
    TooShortlyWatched
        It was watched for no longer than it was down.
    """
    return _availability(machine, _History(session, catalogue, [machine], now))


def availability_of_site(
    session: Session, catalogue: Catalogue, site: SiteRow, *, now: datetime
) -> SiteAvailability:
    """Return how available each machine of a site was, those retired since included.

    Machines watched for no longer than they were down are left out.
    """
    rows = session.exec(
        select(MachineRow).where(MachineRow.site_id == site.id).order_by(col(MachineRow.id))
    ).all()
    history = _History(session, catalogue, rows, now)
    trend = None
    if rows:
        failed_on = [day for row in rows for day in history.failed_on(row)]
        since = min(history.watched_from(row) for row in rows)
        trend = site_trend(failed_on, watched_from=since, months_end=_months(since, now.date()))
    found = []
    for row in rows:
        with suppress(TooShortlyWatched):
            found.append(_availability(row, history))
    return SiteAvailability(machines=tuple(found), trend=trend)


def _months(since: date, today: date) -> list[date]:
    """Return the days that end each whole month since a day."""
    ends: list[date] = []
    while (end := add_months(since, len(ends) + 1)) <= today:
        ends.append(end)
    return ends


def _availability(machine: MachineRow, history: "_History") -> MachineAvailability:
    since, until = history.watched_from(machine), history.watched_until(machine)
    hours = (until - _midnight(since)) / _HOUR
    downtimes = list(history.downtimes(machine))
    down = sum(each.active_hours + each.delay_hours for each in downtimes)
    if hours <= down:
        raise TooShortlyWatched(machine.id)
    return MachineAvailability(
        machine=machine.id, watched_from=since, availability=availability(downtimes, hours)
    )


def _midnight(day: date) -> datetime:
    return datetime.combine(day, time(), UTC)


class _History:
    """What is written down of some machines, read at once."""

    def __init__(
        self,
        session: Session,
        catalogue: Catalogue,
        machines: Sequence[MachineRow],
        now: datetime,
    ) -> None:
        self._catalogue, self._now = catalogue, now
        ids = [machine.id for machine in machines]
        begun = records_begin(session) or now.date()
        sites = {machine.site_id for machine in machines}
        contracts = session.exec(
            select(col(SiteRow.id), col(ContractRow.starts_on))
            .join(ContractRow, col(ContractRow.id) == col(SiteRow.contract_id))
            .where(col(SiteRow.id).in_(sites))
        )
        self._begun = {site: max(begun, starts_on) for site, starts_on in contracts}
        self._work: defaultdict[str, list[WorkDoneRow]] = defaultdict(list)
        for work in session.exec(select(WorkDoneRow).where(col(WorkDoneRow.machine_id).in_(ids))):
            self._work[work.machine_id].append(work)
        self._faults: defaultdict[str, list[CallbackRow]] = defaultdict(list)
        for fault in session.exec(
            select(CallbackRow)
            .where(col(CallbackRow.machine_id).in_(ids), CallbackRow.state != "cancelled")
            .where(col(CallbackRow.urgency).in_(_STANDSTILLS))
            .order_by(col(CallbackRow.reported_at))
        ):
            self._faults[fault.machine_id].append(fault)
        self._stopped: defaultdict[str, list[StandstillRow]] = defaultdict(list)
        for stop in session.exec(
            select(StandstillRow).where(col(StandstillRow.machine_id).in_(ids))
        ):
            self._stopped[stop.machine_id].append(stop)
        self._done: dict[str, tuple[AppointmentRow, StayRow | None]] = {
            appointment.visit_id: (appointment, stay)
            for appointment, stay in session.exec(
                select(AppointmentRow, StayRow)
                .join(CallbackRow, col(CallbackRow.visit_id) == col(AppointmentRow.visit_id))
                .outerjoin(StayRow, col(StayRow.appointment_id) == col(AppointmentRow.id))
                .where(col(CallbackRow.machine_id).in_(ids))
                .where(AppointmentRow.state == AppointmentState.DONE)
            )
        }

    def watched_from(self, machine: MachineRow) -> date:
        return max(machine.installed_on, self._begun[machine.site_id])

    def watched_until(self, machine: MachineRow) -> datetime:
        if machine.retired_on is None:
            return self._now
        return min(self._now, _midnight(machine.retired_on))  # it may be going to be retired

    def failed_on(self, machine: MachineRow) -> set[date]:
        """Return the days of failures, by callback or by the work that mended them."""
        since, until = self.watched_from(machine), self.watched_until(machine).date()
        days = {fault.reported_at.date() for fault in self._faults[machine.id]}
        days |= {day for day, _ in self._unreported(machine)}
        days |= {stop.began_at.date() for stop in self._stopped[machine.id]}
        return {day for day in days if since <= day <= until}

    def downtimes(self, machine: MachineRow) -> Iterator[Downtime]:
        since, until = self.watched_from(machine), self.watched_until(machine).date()
        answered: set[str | None] = set()
        for fault in self._faults[machine.id]:
            shared = fault.visit_id is not None and fault.visit_id in answered
            if not shared and since <= fault.reported_at.date() <= until:
                answered.add(fault.visit_id)
                yield self._reported(fault)
        for stop in self._stopped[machine.id]:
            if since <= stop.began_at.date() <= until:
                stood = (stop.ended_at or self._now) - stop.began_at
                yield Downtime(
                    planned=False, active_hours=0.0, delay_hours=stood / _HOUR, estimated=False
                )
        for day, works in self._unreported(machine):
            if since <= day <= until:
                yield self._by_rules(works, planned=False)
        for day, works in self._planned(machine):
            if since <= day <= until:
                yield self._by_rules(works, planned=True)

    def _reported(self, fault: CallbackRow) -> Downtime:
        """Down from the report until the technician left, or until now."""
        appointment, stay = self._done.get(fault.visit_id or "", (None, None))
        if appointment is None:
            waited = max(timedelta(), self._now - fault.reported_at)
            return Downtime(
                planned=False, active_hours=0.0, delay_hours=waited / _HOUR, estimated=False
            )
        begin, end = appointment.starts_at, appointment.ends_at
        recorded = stay is not None and stay.left_at is not None
        if stay is not None and stay.left_at is not None:
            begin, end = stay.arrived_at, stay.left_at
        return Downtime(
            planned=False,
            active_hours=max(timedelta(), end - begin) / _HOUR,
            delay_hours=max(timedelta(), begin - fault.reported_at) / _HOUR,
            estimated=not recorded,
        )

    def _unreported(self, machine: MachineRow) -> Iterator[tuple[date, list[WorkDoneRow]]]:
        """Failures that were mended without a callback on record, by day."""
        faults = self._faults[machine.id]
        visits = {fault.visit_id for fault in faults} - {None}
        by_day: defaultdict[date, list[WorkDoneRow]] = defaultdict(list)
        for work in self._work[machine.id]:
            if work.outcome == Outcome.FAILURE and work.visit_id not in visits:
                by_day[work.done_on].append(work)
        return iter(sorted(by_day.items()))

    def _planned(self, machine: MachineRow) -> Iterator[tuple[date, list[WorkDoneRow]]]:
        """Planned work that took the machine out of service, by day."""
        rules = self._catalogue.rules
        by_day: defaultdict[date, list[WorkDoneRow]] = defaultdict(list)
        for work in self._work[machine.id]:
            stops = work.rule in rules and rules[work.rule].state is not MachineState.LIVE
            if stops and work.outcome != Outcome.FAILURE:
                by_day[work.done_on].append(work)
        return iter(sorted(by_day.items()))

    def _by_rules(self, works: Sequence[WorkDoneRow], *, planned: bool) -> Downtime:
        """Hours by the minutes of the rules, and for a failure the usual wait."""
        rules = self._catalogue.rules
        minutes = sum(rules[work.rule].minutes for work in works if work.rule in rules)
        return Downtime(
            planned=planned,
            active_hours=minutes / 60,
            delay_hours=0.0 if planned else FailurePolicy().hours_down,
            estimated=True,
        )
