"""Rows → the frozen values the engine decides on, in a fixed number of queries.

``from_day`` is the first local day the caller asks about; holidays are known for two years from it.
"""

from collections import defaultdict
from collections.abc import Callable, Collection
from datetime import UTC, date, datetime, time, timedelta
from functools import cache
from typing import Any, TypeVar

from sqlmodel import Session, col, false, or_, select, true
from sqlmodel.sql.expression import SelectOfScalar

from api.storage.examinations import IN_TURN, STANDING, certificate_of
from api.storage.meter_readings import STANDING as STANDING_READING
from api.storage.tables import (
    AbsenceRow,
    CompanyRow,
    ContractRow,
    ExaminationRow,
    FittedPartRow,
    MachineRow,
    MeterReadingRow,
    SiteRow,
    TechnicianRow,
    WorkDoneRow,
)
from scheduler.catalogue import BoilerLayout, Counter, Dosing, EquipmentKind, ServiceRule
from scheduler.company import Contract, Site, Technician, Urgency
from scheduler.errors import Absent
from scheduler.intervals import Interval, IntervalSet
from scheduler.machines import Build, FittedPart, Machine, MeterReading, Outcome, WorkDone
from scheduler.places import Coordinates
from scheduler.weekly_hours import WEEKDAYS, WeeklyHours
from scheduler.working_time import (
    LAST_MOMENT,
    LocalPeriod,
    WorkingCalendar,
    local_time,
    public_holidays,
)

_YEARS_AHEAD = 2

OfMachine = TypeVar("OfMachine", FittedPartRow, WorkDoneRow, MeterReadingRow, ExaminationRow)

weekly_hours = cache(WeeklyHours.parse)


def company(session: Session) -> CompanyRow:
    """Return the one row of the company, or raise Absent where none has been loaded."""
    row = session.get(CompanyRow, 1)
    if row is None:
        raise Absent("company", "1")
    return row


def company_zone(session: Session) -> str:
    """Return the zone the company counts its days in."""
    return company(session).zone


def sites_by_id(
    session: Session, ids: Collection[str] | None = None, *, from_day: date
) -> dict[str, Site]:
    """Return sites by id, all of them when no ids are given, in order of id.

    On a public holiday of its contract's country nobody calls at a site, unless the contract is
    served on holidays; whether it sells then is not known, so its opening hours stay.
    """
    statement = (
        select(SiteRow, ContractRow)
        .join(ContractRow, col(ContractRow.id) == col(SiteRow.contract_id))
        .order_by(col(SiteRow.id))
    )
    if ids is not None:
        statement = statement.where(col(SiteRow.id).in_(ids))
    return {row.id: _site(row, contract, from_day) for row, contract in session.exec(statement)}


def _site(row: SiteRow, contract: ContractRow, from_day: date) -> Site:
    closures = tuple(
        LocalPeriod.whole_days(date.fromisoformat(first), date.fromisoformat(last))
        for first, last in row.closures
    )
    holidays = _holidays_served(contract, from_day)

    def calendar(hours: str, days_off: frozenset[date] = holidays) -> WorkingCalendar:
        return WorkingCalendar(
            zone=row.zone, weekly=weekly_hours(hours), holidays=days_off, closures=closures
        )

    return Site(
        id=row.id,
        client=row.client_id,
        contract=row.contract_id,
        name=row.name,
        lat=row.lat,
        lon=row.lon,
        opening=calendar(row.opening_hours, frozenset()),
        access=calendar(row.access_hours),
        quiet=calendar(row.quiet_hours),
        hardness_dh=row.hardness_dh,
        altitude_metres=row.altitude_metres,
    )


def contracts_by_id(
    session: Session, ids: Collection[str] | None = None, *, from_day: date
) -> dict[str, Contract]:
    """Return contracts by id, all of them when no ids are given, in order of id."""
    statement = select(ContractRow).order_by(col(ContractRow.id))
    if ids is not None:
        statement = statement.where(col(ContractRow.id).in_(ids))
    return {row.id: _contract(row, from_day) for row in session.exec(statement)}


def _contract(row: ContractRow, from_day: date) -> Contract:
    return Contract(
        id=row.id,
        client=row.client_id,
        kind=row.kind,
        response_minutes={Urgency(key): value for key, value in row.response_minutes.items()},
        service_hours=WorkingCalendar(
            zone=row.zone,
            weekly=weekly_hours(row.service_hours),
            holidays=_holidays_served(row, from_day),
        ),
        upkeep_included=row.upkeep_included,
        statutory_included=row.statutory_included,
        starts_on=row.starts_on,
        ends_on=row.ends_on,
    )


def _holidays_served(row: ContractRow, from_day: date) -> frozenset[date]:
    """Return the holidays on which nothing happens under a contract."""
    if row.serves_holidays:
        return frozenset()
    return _holidays(row.holiday_country, row.holiday_subdivision, from_day.year)


@cache
def _holidays(country: str, subdivision: str | None, year: int) -> frozenset[date]:
    # the year before too: a night shift may begin on its last day
    years = range(year - 1, year + _YEARS_AHEAD + 1)
    return frozenset().union(*(public_holidays(country, subdivision, each) for each in years))


def active_technicians(
    session: Session, ids: Collection[str] | None = None, *, from_day: date
) -> tuple[Technician, ...]:
    """Return the technicians who can be sent, in order of id, with their absences to come.

    All of them when no ids are given.
    """
    absences: defaultdict[str, list[AbsenceRow]] = defaultdict(list)
    since = datetime.combine(from_day - timedelta(days=1), time(), UTC)
    away = select(AbsenceRow).where(AbsenceRow.ends_at > since)
    people = (
        select(TechnicianRow, CompanyRow)
        .join(CompanyRow, true(), isouter=True)
        .where(col(TechnicianRow.active))
    )
    if ids is not None:
        away = away.where(col(AbsenceRow.technician_id).in_(ids))
        people = people.where(col(TechnicianRow.id).in_(ids))
    for absence in session.exec(away.order_by(col(AbsenceRow.starts_at))):
        absences[absence.technician_id].append(absence)
    rows = session.exec(people.order_by(col(TechnicianRow.id)))
    return tuple(_technician(row, absences[row.id], from_day, company) for row, company in rows)


def _technician(
    row: TechnicianRow, absences: list[AbsenceRow], from_day: date, company: CompanyRow | None
) -> Technician:
    return Technician(
        id=row.id,
        name=row.name,
        lat=row.lat,
        lon=row.lon,
        skills=frozenset(row.skills),
        calendar=WorkingCalendar(
            zone=row.zone,
            weekly=weekly_hours(row.working_hours),
            holidays=_holidays(row.holiday_country, row.holiday_subdivision, from_day.year),
            closures=tuple(
                _local_period(absence, row.zone)
                for absence in absences
                if absence.certainty == "away"
            ),
        ),
        perhaps_away=IntervalSet.of(
            Interval(start=absence.starts_at, end=absence.ends_at)
            for absence in absences
            if absence.certainty == "perhaps"
        ),
        break_minutes=row.break_minutes,
        break_earliest=time.fromisoformat(row.break_earliest),
        break_latest=time.fromisoformat(row.break_latest),
        pace=row.pace,
        driving_limit_minutes=row.driving_limit_minutes,
        sets_out_from={}
        if company is None
        else {
            WEEKDAYS.index(day): Coordinates(lat=company.workshop_lat, lon=company.workshop_lon)
            for day in row.workshop_days
        },
    )


def _local_period(absence: AbsenceRow, zone: str) -> LocalPeriod:
    """Return an absence on the wall clock.

    One inside the hour that comes twice may read backwards there; then all it could mean is taken.
    """
    one, other = (local_time(each, zone) for each in (absence.starts_at, absence.ends_at))
    start = min(one, other, LAST_MOMENT - timedelta(minutes=1))
    return LocalPeriod(start=start, end=max(one, other, start + timedelta(minutes=1)))


def machines_by_id(
    session: Session,
    ids: Collection[str] | None = None,
    *,
    on: date,
    sites: Collection[str] | None = None,
    rules: Collection[ServiceRule] | None = None,
) -> dict[str, Machine]:
    """Return the machines in service on a day with the parts fitted then, in order of id.

    Parameters
    ----------
    ids, sites
        Only machines with these ids, or at these sites; no restriction when None.
    rules
        Only what these rules go by on the calendar: their history, their parts and no counters.
        Of a large fleet that is far quicker than everything.
    """

    def restricted(statement: SelectOfScalar[Any]) -> SelectOfScalar[Any]:
        statement = statement.where(
            or_(col(MachineRow.retired_on).is_(None), col(MachineRow.retired_on) > on)
        )
        if sites is not None:
            statement = statement.where(col(MachineRow.site_id).in_(sites))
        if ids is not None:
            statement = statement.where(col(MachineRow.id).in_(ids))
        return statement

    def by_machine(
        table: type[OfMachine], *order: Any, where: Any = True
    ) -> Callable[[str], list[OfMachine]]:
        found: defaultdict[str, list[OfMachine]] = defaultdict(list)
        joined = select(table).join(MachineRow, col(MachineRow.id) == col(table.machine_id))
        for row in session.exec(restricted(joined).where(where).order_by(*order, col(table.id))):
            found[row.machine_id].append(row)
        return lambda machine: found[machine]

    removed_on = col(FittedPartRow.removed_on)
    fitted: Any = or_(removed_on.is_(None), removed_on > on)
    done: Any = true()
    counted: Any = STANDING_READING
    if rules is not None:
        fitted &= col(FittedPartRow.part_type).in_({rule.part_type for rule in rules} - {None})
        done = col(WorkDoneRow.rule).in_({rule.id for rule in rules})
        counted = false()
    parts = by_machine(FittedPartRow, where=fitted)
    history = by_machine(WorkDoneRow, col(WorkDoneRow.done_on), where=done)
    examinations = by_machine(ExaminationRow, *IN_TURN, where=STANDING)
    readings = by_machine(MeterReadingRow, col(MeterReadingRow.taken_at), where=counted)
    rows = session.exec(restricted(select(MachineRow)).order_by(col(MachineRow.id)))
    return {
        row.id: _machine(
            row, parts(row.id), history(row.id), readings(row.id), examinations(row.id)
        )
        for row in rows
    }


def build_of(row: MachineRow) -> Build:
    """Return how a machine is built."""
    return Build(
        kind=EquipmentKind(row.kind),
        boiler_layout=None if row.boiler_layout is None else BoilerLayout(row.boiler_layout),
        groups=row.groups,
        dosing=None if row.dosing is None else Dosing(row.dosing),
        features=frozenset(row.features),
    )


def _machine(
    row: MachineRow,
    parts: list[FittedPartRow],
    history: list[WorkDoneRow],
    readings: list[MeterReadingRow],
    examinations: list[ExaminationRow],
) -> Machine:
    return Machine(
        id=row.id,
        site=row.site_id,
        name=row.name,
        build=build_of(row),
        installed_on=row.installed_on,
        drinks_per_day=row.drinks_per_day,
        parts=tuple(
            FittedPart(
                id=part.id,
                part_type=part.part_type,
                position=part.position,
                fitted_on=part.fitted_on,
            )
            for part in parts
        ),
        history=tuple(
            WorkDone(
                rule=work.rule,
                fitted_part=work.fitted_part_id,
                done_on=work.done_on,
                outcome=Outcome(work.outcome),
            )
            for work in history
        ),
        meter_readings=tuple(
            MeterReading(
                counter=Counter(reading.counter), value=reading.value, taken_at=reading.taken_at
            )
            for reading in readings
        ),
        certificates=tuple(map(certificate_of, examinations)),
        stopped=row.out_of_service_since is not None,
    )
