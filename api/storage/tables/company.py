"""Clients, contracts, sites and technicians.

Wall-clock rules (opening, access, shifts) are texts such as ``Mo-Fr 07:30-12:00; Sa 08:00-11:00``
in the row's own zone (``scheduler.weekly_hours``).
"""

from datetime import date, datetime
from typing import Any

from sqlalchemy import JSON, CheckConstraint
from sqlmodel import Field

from api.storage.tables.versioned import Versioned


class CompanyRow(Versioned, table=True):
    """Exactly one row: the company that runs this installation.

    ``barriers`` are the waters its drives have to go round (``scheduler.travel``).
    """

    __tablename__ = "company"

    id: int = Field(primary_key=True)
    name: str
    zone: str
    currency: str
    holiday_country: str
    holiday_subdivision: str | None = None
    workshop_lat: float
    workshop_lon: float
    barriers: list[dict[str, Any]] = Field(default_factory=list, sa_type=JSON)
    language: str = "en"  # of the dispatcher's calendar


class ClientRow(Versioned, table=True):
    __tablename__ = "client"

    id: str = Field(primary_key=True)
    name: str
    contact_name: str = ""
    contact_phone: str = ""
    contact_email: str = ""


class ContractRow(Versioned, table=True):
    """``response_minutes`` maps urgency to minutes of the contract's service hours."""

    __tablename__ = "contract"

    id: str = Field(primary_key=True)
    client_id: str = Field(foreign_key="client.id", index=True)
    kind: str
    starts_on: date
    ends_on: date | None = None
    response_minutes: dict[str, int] = Field(sa_type=JSON)
    service_hours: str
    zone: str
    holiday_country: str
    holiday_subdivision: str | None = None
    serves_holidays: bool = False
    upkeep_included: bool = True
    statutory_included: bool = False
    call_out_minor: int | None = None  # what work out of cover costs; None: the company's rates
    hour_rate_minor: int | None = None


class BookingRulesRow(Versioned, table=True):
    """Exactly one row: what clients may do by themselves, and the company's rates.

    What each rule means stands in ``scheduler.offers.OfferPolicy`` and, of holds and notice, in
    ``api.actions.holding.BookingPolicy``.
    """

    __tablename__ = "booking_rules"
    __table_args__ = (CheckConstraint("id = 1", name="one_row"),)

    id: int = Field(primary_key=True)
    window_minutes: int = 120
    step_minutes: int = 30
    offer_notice_minutes: int = 60
    offers: int = 6
    offers_per_day: int = 2
    later_day_minutes: int = 10
    near_minutes: int = 10
    dearest_minutes: int = 120
    overtime_minutes: int = 90
    hold_minutes: int = 10
    holds_per_client: int = 3
    change_notice_minutes: int = 120
    telephone: str = ""  # whom a portal is told to call when no offer keeps a deadline
    call_out_minor: int = 9000
    hour_rate_minor: int = 6500


class SiteRow(Versioned, table=True):
    """``access_hours``: live work is welcome. ``quiet_hours``: a machine may be off.

    Of the supply's water only the hardness is always known, the rest where somebody tested it.
    """

    __tablename__ = "site"

    id: str = Field(primary_key=True)
    client_id: str = Field(foreign_key="client.id", index=True)
    contract_id: str = Field(foreign_key="contract.id", index=True)
    name: str
    kind: str  # "bakery café", "bar", "office", "hotel", ...
    address: str
    town: str
    lat: float
    lon: float
    altitude_metres: float = 0.0
    zone: str
    opening_hours: str
    access_hours: str
    quiet_hours: str
    closures: list[list[str]] = Field(default_factory=list, sa_type=JSON)  # [first day, last day]
    hardness_dh: float = 10.0
    calcium_dh: float | None = None
    alkalinity_mg_l: float | None = None  # as CaCO3
    water_ph: float | None = None
    solids_mg_l: float | None = None
    access_notes: str = ""
    phone: str = ""
    language: str = "en"  # of the site's calendar


class TechnicianRow(Versioned, table=True):
    __tablename__ = "technician"

    id: str = Field(primary_key=True)
    name: str
    phone: str = ""
    email: str = ""
    home_town: str = ""
    lat: float
    lon: float
    zone: str
    skills: list[str] = Field(sa_type=JSON)
    working_hours: str
    holiday_country: str
    holiday_subdivision: str | None = None
    break_minutes: int = 0
    break_earliest: str = "11:30"
    break_latest: str = "14:00"
    pace: float = 1.0
    driving_limit_minutes: int | None = None  # a day
    workshop_days: list[str] = Field(default_factory=list, sa_type=JSON)  # begin there: "Mo", ...
    active: bool = True
    language: str = "en"  # of the calendar's own words
    calendar_text: str = "full"  # or "short": what is needed on the way there
    calendar_read_at: datetime | None = None  # when one was last uploaded: see ReadTooSoon


class AbsenceRow(Versioned, table=True):
    __tablename__ = "absence"

    id: str = Field(primary_key=True)
    technician_id: str = Field(foreign_key="technician.id", index=True)
    starts_at: datetime
    ends_at: datetime
    reason: str = ""
    certainty: str = "away"  # or "perhaps": a cost to the planner, not a wall
    calendar_id: str | None = Field(default=None, foreign_key="absence_calendar.id", index=True)
