"""Machines, what is fitted in them, what was done to them and what their counters showed."""

from datetime import date, datetime

from sqlalchemy import JSON, UniqueConstraint
from sqlmodel import Field, SQLModel

from api.storage.tables.versioned import Versioned


class MachineRow(Versioned, table=True):
    """A serviced unit: espresso machine, grinder or water filter."""

    __tablename__ = "machine"

    id: str = Field(primary_key=True)
    tag: str = Field(unique=True)  # the sticker a caller reads out
    serial: str
    site_id: str = Field(foreign_key="site.id", index=True)
    name: str
    kind: str
    boiler_layout: str | None = None
    groups: int = 0
    dosing: str | None = None
    features: list[str] = Field(default_factory=list, sa_type=JSON)
    installed_on: date
    retired_on: date | None = None
    drinks_per_day: float
    out_of_service_since: datetime | None = None  # see StandstillRow
    certified_until: date | None = None  # the first day a certificate of it runs out, if it has any


class FittedPartRow(Versioned, table=True):
    """A part in a position; ``removed_on`` ends its life, ``removal`` says how it ended."""

    __tablename__ = "fitted_part"

    id: str = Field(primary_key=True)
    machine_id: str = Field(foreign_key="machine.id", index=True)
    part_type: str = Field(index=True)
    position: str
    fitted_on: date
    removed_on: date | None = None
    removal: str | None = None  # "failure" or "planned"


class WorkDoneRow(SQLModel, table=True):
    """A service rule carried out, or a failure mended."""

    __tablename__ = "work_done"

    id: str = Field(primary_key=True)
    machine_id: str = Field(foreign_key="machine.id", index=True)
    fitted_part_id: str | None = Field(default=None, foreign_key="fitted_part.id")
    rule: str
    outcome: str
    done_on: date
    technician_id: str | None = Field(default=None, foreign_key="technician.id")
    visit_id: str | None = None
    note: str = ""


class MeterReadingRow(SQLModel, table=True):
    """What a counter showed; never changed.

    A correction is a row that takes the place of the one in ``corrects``; ``withdrawn`` says that
    nothing was read at all.
    """

    __tablename__ = "meter_reading"

    id: str = Field(primary_key=True)
    machine_id: str = Field(foreign_key="machine.id", index=True)
    counter: str
    value: float
    taken_at: datetime
    corrects: str | None = Field(default=None, foreign_key="meter_reading.id", unique=True)
    withdrawn: bool = False
    reason: str = ""


class StandstillRow(Versioned, table=True):
    """A machine stopped and made safe until somebody puts it back; one at most has not ended.

    ``set_points`` are those that were read beyond their limits, ``examination_id`` the examination
    that was not passed. ``ended_for`` names the competent person who answers for it, where no
    reading does.
    """

    __tablename__ = "standstill"

    id: str = Field(primary_key=True)
    machine_id: str = Field(foreign_key="machine.id", index=True)
    visit_id: str | None = Field(default=None, foreign_key="visit.id")
    examination_id: str | None = Field(default=None, foreign_key="examination.id")
    set_points: list[str] = Field(default_factory=list, sa_type=JSON)
    began_at: datetime
    because: str
    ended_at: datetime | None = Field(default=None, index=True)
    ended_by: str = ""
    ended_because: str = ""
    ended_for: str = ""


class MeasurementRow(SQLModel, table=True):
    """A value measured on a machine at a visit, as found or as left, with the verdict of that day.

    ``set_point`` names what was read; the unit is the set-point's.
    """

    __tablename__ = "measurement"
    __table_args__ = (UniqueConstraint("machine_id", "set_point", "stage", "taken_at"),)

    id: str = Field(primary_key=True)
    machine_id: str = Field(foreign_key="machine.id", index=True)
    set_point: str
    value: float
    unit: str
    stage: str  # "as_found" or "as_left"
    verdict: str  # "ok", "adjust" or "stop_and_make_safe"
    because: str
    taken_at: datetime
    taken_on: date  # the same at the site
    visit_id: str | None = Field(default=None, foreign_key="visit.id")
