"""Calendars of technicians that say when they are away."""

from datetime import datetime

from sqlalchemy import JSON
from sqlmodel import Field

from api.storage.tables.versioned import Versioned


class AbsenceCalendarRow(Versioned, table=True):
    """A technician's own calendar, subscribed to or uploaded; its absences are ``absence`` rows.

    The last good reading stays until a better one: ``read_at`` says how old it is, ``failure`` why
    the latest attempt failed. ``skipped`` lists what could not be read of the calendar,
    as component, uid and reason.
    """

    __tablename__ = "absence_calendar"

    id: str = Field(primary_key=True)
    technician_id: str = Field(foreign_key="technician.id", index=True)
    name: str
    address: str | None = Field(default=None, repr=False)  # a secret; None: it was uploaded
    tentative_blocks: bool = False  # whether "perhaps away" counts as away
    created_at: datetime
    tried_at: datetime | None = None
    read_at: datetime | None = None
    next_try_at: datetime | None = Field(default=None, index=True)
    failure: str = ""
    failures: int = 0  # in a row
    skipped: list[list[str]] = Field(default_factory=list, sa_type=JSON)
