"""The lines of a company's CSV files: one model per file, its fields are the columns.

An empty cell stands for "nothing": null, an empty text or an empty list.
"""

from datetime import date
from typing import Annotated

from pydantic import Field

from api.actions.company_fields import (
    AbsenceFields,
    ClientFields,
    ContractFields,
    ExaminationFields,
    Fields,
    FittedPartFields,
    InCountry,
    MachineFields,
    MeterReadingFields,
    SiteFields,
    TechnicianFields,
    WorkDoneFields,
)
from api.feeds.phrases import Language
from api.storage.column_types import (
    DaySpan,
    FromPairs,
    FromSpans,
    FromWords,
    Id,
    Latitude,
    Longitude,
    Minutes,
    Name,
    Zone,
)
from scheduler.company import Urgency


class Record(Fields):
    """One line of a file."""

    id: Id


class ClientRecord(Record, ClientFields):
    pass


class ContractRecord(Record, ContractFields):
    response_minutes: Annotated[dict[Urgency, Minutes], FromPairs] = Field(default_factory=dict)


class SiteRecord(Record, SiteFields):
    closures: Annotated[list[DaySpan], FromSpans] = Field(default_factory=list)


class TechnicianRecord(Record, TechnicianFields):
    skills: Annotated[list[Id], FromWords] = Field(default_factory=list)


class AbsenceRecord(Record, AbsenceFields):
    pass


class MachineRecord(Record, MachineFields):
    features: Annotated[list[Id], FromWords] = Field(default_factory=list)


class FittedPartRecord(Record, FittedPartFields):
    pass


class WorkDoneRecord(Record, WorkDoneFields):
    pass


class ExaminationRecord(Record, ExaminationFields):
    pass


class MeterReadingRecord(Record, MeterReadingFields):
    pass


class CompanyRecord(InCountry):
    """``company.toml``. ``planning_day`` and ``seed`` belong to the demo and are not stored."""

    name: Name
    zone: Zone
    currency: Annotated[str, Field(pattern=r"^[A-Z]{3}$")]
    workshop_lat: Latitude
    workshop_lon: Longitude
    language: Language = "en"
    planning_day: date | None = None
    seed: int | None = None
