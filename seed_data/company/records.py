"""The records of the demo company, one class per CSV file; the fields are its columns in order."""

from dataclasses import dataclass
from datetime import date, datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Client:
    id: str
    name: str
    contact_name: str
    contact_phone: str
    contact_email: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Contract:
    id: str
    client_id: str
    kind: str
    starts_on: date
    ends_on: date | None
    response_minutes: dict[str, int]
    service_hours: str
    zone: str
    holiday_country: str
    holiday_subdivision: str | None
    serves_holidays: bool
    upkeep_included: bool
    statutory_included: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Site:
    id: str
    client_id: str
    contract_id: str
    name: str
    kind: str
    address: str
    town: str
    lat: float
    lon: float
    altitude_metres: float
    zone: str
    opening_hours: str
    access_hours: str
    quiet_hours: str
    closures: tuple[tuple[date, date], ...]
    hardness_dh: float
    alkalinity_mg_l: float | None = None  # where somebody tested it, like the pH
    water_ph: float | None = None
    access_notes: str
    phone: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Technician:
    id: str
    name: str
    phone: str
    email: str
    home_town: str
    lat: float
    lon: float
    zone: str
    skills: tuple[str, ...]
    working_hours: str
    holiday_country: str
    holiday_subdivision: str | None
    break_minutes: int
    break_earliest: str
    break_latest: str
    pace: float
    active: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Absence:
    id: str
    technician_id: str
    starts_at: datetime
    ends_at: datetime
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Unit:
    """A row of ``machines.csv``: an espresso machine, a grinder or a water filter."""

    id: str
    tag: str
    serial: str
    site_id: str
    name: str
    kind: str
    boiler_layout: str | None
    groups: int
    dosing: str | None
    features: tuple[str, ...]
    installed_on: date
    retired_on: date | None
    drinks_per_day: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """A row of ``fitted_parts.csv``."""

    id: str
    machine_id: str
    part_type: str
    position: str
    fitted_on: date
    removed_on: date | None
    removal: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Work:
    """A row of ``work_done.csv``."""

    id: str
    machine_id: str
    fitted_part_id: str | None
    rule: str
    outcome: str
    done_on: date
    technician_id: str | None
    visit_id: str | None
    note: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """A row of ``meter_readings.csv``."""

    id: str
    machine_id: str
    counter: str
    value: float
    taken_at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Examination:
    """A row of ``examinations.csv``."""

    id: str
    machine_id: str
    rule: str
    fitted_part_id: str | None
    certificate: str
    competent_person: str
    body: str
    examined_on: date
    result: str
    valid_until: date | None
    findings: str


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoCompany:
    """Everything the CSV files hold."""

    clients: tuple[Client, ...]
    contracts: tuple[Contract, ...]
    sites: tuple[Site, ...]
    technicians: tuple[Technician, ...]
    absences: tuple[Absence, ...]
    machines: tuple[Unit, ...]
    fitted_parts: tuple[Part, ...]
    work_done: tuple[Work, ...]
    meter_readings: tuple[Reading, ...]
    examinations: tuple[Examination, ...] = ()
