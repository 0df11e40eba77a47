"""What is said of clients, contracts, sites, people and machines, checked.

One model per kind of record, without its id; whoever brings such records in, a file or a request,
builds on these.
"""

from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

from api.feeds.phrases import Language
from api.storage.column_types import (
    Acidity,
    Altitude,
    Amount,
    ClockTime,
    Country,
    Day,
    DaySpan,
    Dissolved,
    Hardness,
    Hours,
    Id,
    Instant,
    Latitude,
    Longitude,
    MinorUnits,
    Minutes,
    Name,
    Pace,
    Said,
    Text,
    Zone,
    refused_as_value_error,
)
from scheduler.catalogue import BoilerLayout, Counter, Dosing, EquipmentKind
from scheduler.company import Urgency
from scheduler.dates import add_months
from scheduler.errors import InvalidInput
from scheduler.machines import Build, Certificate, Outcome
from scheduler.working_time import public_holidays

_LONGEST_CERTIFICATE_MONTHS = 12 * 15
"""What holds for longer is a slip of the pen (common practice, no source)."""


class Fields(BaseModel):
    """Checked values; what is not known is refused."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    def columns(self) -> dict[str, Any]:
        """Return the values as a row keeps them: lists and maps as JSON."""
        values = self.model_dump()
        if documents := {name for name, value in values.items() if isinstance(value, list | dict)}:
            values.update(self.model_dump(mode="json", include=documents))
        return values


class ClientFields(Fields):
    name: Name
    contact_name: Text = ""
    contact_phone: Text = ""
    contact_email: Text = ""


class InCountry(Fields):
    """The country whose public holidays count, and the part of it, if it has its own."""

    holiday_country: Country
    holiday_subdivision: Id | None = None

    @model_validator(mode="after")
    def subdivision_is_known(self) -> "InCountry":
        refused_as_value_error(_check_subdivision)(self)
        return self


def _check_subdivision(place: InCountry) -> object:
    return public_holidays(place.holiday_country, place.holiday_subdivision, 2027)


class ContractFields(InCountry):
    client_id: Id
    kind: Name
    starts_on: Day
    ends_on: Day | None = None
    response_minutes: dict[Urgency, Minutes] = Field(default_factory=dict)
    service_hours: Hours
    zone: Zone
    serves_holidays: bool = False
    upkeep_included: bool = True
    statutory_included: bool = False
    call_out_minor: MinorUnits | None = Field(
        default=None, description="For work out of cover; left out: the company's."
    )
    hour_rate_minor: MinorUnits | None = Field(
        default=None, description="For work out of cover; left out: the company's."
    )

    @model_validator(mode="after")
    def ends_after_it_starts(self) -> "ContractFields":
        if self.ends_on is not None and self.ends_on < self.starts_on:
            raise ValueError(f"ends_on {self.ends_on} is before starts_on {self.starts_on}")
        return self


class SiteFields(Fields):
    client_id: Id
    contract_id: Id
    name: Name
    kind: Name
    address: Name
    town: Name
    lat: Latitude
    lon: Longitude
    altitude_metres: Altitude = 0.0
    zone: Zone
    opening_hours: Hours = ""
    access_hours: Hours = ""
    quiet_hours: Hours = ""
    closures: list[DaySpan] = Field(default_factory=list)
    hardness_dh: Hardness = Field(
        default=10.0, description='In °dH; another unit is written with it, as in "12 gpg".'
    )
    calcium_dh: Hardness | None = Field(
        default=None, description="The part of the hardness that is calcium."
    )
    alkalinity_mg_l: Dissolved | None = None
    water_ph: Acidity | None = None
    solids_mg_l: Dissolved | None = None
    access_notes: Text = ""
    phone: Text = ""
    language: Language = "en"

    @model_validator(mode="after")
    def calcium_is_part_of_the_hardness(self) -> "SiteFields":
        if self.calcium_dh is not None and self.calcium_dh > self.hardness_dh:
            raise ValueError(
                f"calcium_dh {self.calcium_dh:g} is part of hardness_dh {self.hardness_dh:g}: "
                "it cannot be more"
            )
        return self


Weekday = Literal["Mo", "Tu", "We", "Th", "Fr", "Sa", "Su"]
CalendarText = Literal["full", "short"]


class TechnicianFields(InCountry):
    name: Name
    phone: Text = ""
    email: Text = ""
    home_town: Text = ""
    lat: Latitude
    lon: Longitude
    zone: Zone
    skills: list[Id] = Field(default_factory=list)
    working_hours: Hours
    break_minutes: Minutes = 0
    break_earliest: ClockTime = "11:30"
    break_latest: ClockTime = "14:00"
    pace: Pace = 1.0
    driving_limit_minutes: Minutes | None = Field(
        default=None, description="Most minutes of driving on one day; no limit when null."
    )
    workshop_days: list[Weekday] = Field(
        default_factory=list, description="Weekdays that begin at the workshop, not at home."
    )
    active: bool = True
    language: Language = "en"
    calendar_text: CalendarText = "full"

    @model_validator(mode="after")
    def break_fits(self) -> "TechnicianFields":
        if self.break_minutes and not self.break_earliest < self.break_latest:
            raise ValueError(
                f"break_earliest {self.break_earliest} must come before "
                f"break_latest {self.break_latest}"
            )
        return self


class AbsenceFields(Fields):
    technician_id: Id
    starts_at: Instant
    ends_at: Instant
    reason: Text = ""

    @model_validator(mode="after")
    def ends_after_it_starts(self) -> "AbsenceFields":
        if not self.starts_at < self.ends_at:
            raise ValueError(f"ends_at {self.ends_at} must come after starts_at {self.starts_at}")
        return self


class MachineFields(Fields):
    tag: Name
    serial: Text = ""
    site_id: Id
    name: Name
    kind: EquipmentKind
    boiler_layout: BoilerLayout | None = None
    groups: int = 0
    dosing: Dosing | None = None
    features: list[Id] = Field(default_factory=list)
    installed_on: Day
    retired_on: Day | None = None
    drinks_per_day: Amount

    @model_validator(mode="after")
    def build_makes_sense(self) -> "MachineFields":
        try:
            self.build()
        except InvalidInput as refusal:
            raise ValueError(str(refusal)) from refusal
        return self

    def build(self) -> Build:
        """Return how the machine is built."""
        return Build(
            kind=self.kind,
            boiler_layout=self.boiler_layout,
            groups=self.groups,
            dosing=self.dosing,
            features=frozenset(self.features),
        )


class FittedPartFields(Fields):
    machine_id: Id
    part_type: Id
    position: Name
    fitted_on: Day
    removed_on: Day | None = None
    removal: Literal["failure", "planned"] | None = None

    @model_validator(mode="after")
    def life_makes_sense(self) -> "FittedPartFields":
        if (self.removed_on is None) != (self.removal is None):
            raise ValueError("removed_on and removal go together: give both or neither")
        if self.removed_on is not None and self.removed_on < self.fitted_on:
            raise ValueError(f"removed_on {self.removed_on} is before fitted_on {self.fitted_on}")
        return self


class WorkDoneFields(Fields):
    machine_id: Id
    fitted_part_id: Id | None = None
    rule: Id
    outcome: Outcome
    done_on: Day
    technician_id: Id | None = None
    visit_id: Id | None = None
    note: Text = ""


class ExaminationFields(Fields):
    """What the certificate of a statutory examination says."""

    machine_id: Id
    rule: Id = Field(description="A rule of the law: its authority is statute.")
    fitted_part_id: Id | None = Field(default=None, description="Where the rule is for a part.")
    certificate: Said = Field(description="Its number.")
    competent_person: Said
    body: Said = Field(description="The organisation they act for.")
    examined_on: Day
    result: Literal["passed", "passed_with_conditions", "failed"]
    valid_until: Day | None = Field(
        default=None,
        description="The last day it says it holds; left out when it was not passed. Where the "
        "rule asks for the next one sooner, the rule counts.",
    )
    findings: str = Field(default="", max_length=2000, description="Findings and conditions.")

    @model_validator(mode="after")
    def certificate_makes_sense(self) -> "ExaminationFields":
        if (self.result == "failed") != (self.valid_until is None):
            raise ValueError(
                "valid_until is what a passed examination says and a failed one does not: "
                f"got {self.valid_until} with {self.result}"
            )
        refused_as_value_error(ExaminationFields.certified)(self)
        if self.valid_until is not None and self.valid_until > add_months(
            self.examined_on, _LONGEST_CERTIFICATE_MONTHS
        ):
            raise ValueError(f"valid_until must be within fifteen years, got {self.valid_until}")
        return self

    def certified(self) -> Certificate:
        """Return it as upkeep takes it."""
        return Certificate(
            number=self.certificate,
            rule=self.rule,
            examined_on=self.examined_on,
            valid_until=self.valid_until,
            fitted_part=self.fitted_part_id,
        )


class MeterReadingFields(Fields):
    machine_id: Id
    counter: Counter
    value: Amount
    taken_at: Instant
