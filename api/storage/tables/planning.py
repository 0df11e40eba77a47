"""Plans, the one published state of the calendar, and the appointments in it."""

from datetime import date, datetime
from typing import Any

from sqlalchemy import JSON, CheckConstraint, Index
from sqlmodel import Field, SQLModel

from api.storage.tables.versioned import Versioned


class PlanRow(Versioned, table=True):
    """A planning run.

    ``state``: queued → solving → draft → published, or failed, cancelled, superseded.
    ``base_revision`` is the publication revision it was made from; publishing compares it.
    One that ``repairs`` keeps as much as is sensible of what is published. ``lower_bound`` is a
    cost that no plan of its problem goes below. ``problem`` is the engine's problem file packed
    with gzip, ``solution`` its plan file, ``travel`` what its travel times rest on.
    """

    __tablename__ = "plan"

    id: str = Field(primary_key=True)
    state: str = Field(default="queued", index=True)
    requested_at: datetime
    requested_by: str = ""
    first_day: date
    days: int
    seconds: float | None = None
    iterations: int | None = None
    seed: int = 0
    repairs: bool = False
    lower_bound: int | None = None
    base_revision: int | None = None
    progress: float = 0.0
    best_cost: int | None = None
    cancel_requested: bool = False
    holder: str | None = None  # the process that solves it
    lease_until: datetime | None = None
    finished_at: datetime | None = None
    published_at: datetime | None = None
    failure: str | None = None
    problem: bytes | None = None
    solution: dict[str, Any] | None = Field(default=None, sa_type=JSON)
    travel: dict[str, Any] | None = Field(default=None, sa_type=JSON)
    broken_promises: list[str] = Field(default_factory=list, sa_type=JSON)


class PublicationRow(SQLModel, table=True):
    """Exactly one row: the revision of the published calendar, bumped by every change to it."""

    __tablename__ = "publication"
    __table_args__ = (CheckConstraint("id = 1", name="one_row"),)

    id: int = Field(primary_key=True)
    revision: int = 0
    changed_at: datetime


class AppointmentRow(Versioned, table=True):
    """A visit at a time with a technician, as published.

    ``sequence`` rises when start, end or state changes (RFC 5546); ``revised_at`` with any change.
    ``fetch`` is what its technician fetches at the workshop on the way to it, or loads before the
    round that begins with it: the visit it is for -> part type -> pieces.
    Those of one technician in a live state may not overlap at the end of a transaction.
    """

    __tablename__ = "appointment"
    __table_args__ = (
        CheckConstraint("starts_at < ends_at", name="ends_after_start"),
        Index(None, "technician_id", "ends_at"),
    )

    id: str = Field(primary_key=True)
    visit_id: str = Field(foreign_key="visit.id", index=True)
    technician_id: str = Field(foreign_key="technician.id")
    starts_at: datetime = Field(index=True)
    ends_at: datetime
    state: str = Field(default="planned", index=True)
    sequence: int = 0
    created_at: datetime
    revised_at: datetime
    moved_from: datetime | None = None  # the start its technician was first told, once it moved
    plan_id: str | None = Field(default=None, foreign_key="plan.id")
    travel_minutes: int = 0  # the drive to it, as planned
    call_minutes: int | None = None  # at the workshop on the way to it, if the round calls there
    fetch: dict[str, dict[str, int]] = Field(default_factory=dict, sa_type=JSON)
    arrive_from: datetime | None = None  # the window the client was told, if any was
    arrive_until: datetime | None = None


class HoldRow(Versioned, table=True):
    """Time of a technician kept for a client who is making up their mind.

    ``state``: held → booked, released or expired. One that is held blocks the time until
    ``expires_at``; what it says of itself after that is only tidied up later.
    """

    __tablename__ = "hold"
    __table_args__ = (
        CheckConstraint("starts_at < ends_at", name="ends_after_start"),
        Index(None, "technician_id", "ends_at"),
    )

    id: str = Field(primary_key=True)
    client_id: str = Field(foreign_key="client.id", index=True)
    visit_id: str = Field(foreign_key="visit.id", index=True)
    technician_id: str = Field(foreign_key="technician.id")
    starts_at: datetime
    ends_at: datetime
    arrive_from: datetime
    arrive_until: datetime
    travel_minutes: int
    call_minutes: int | None = None  # at the workshop on the way, if somebody has to call there
    state: str = Field(default="held", index=True)
    created_at: datetime
    expires_at: datetime = Field(index=True)
    appointment_id: str | None = Field(default=None, foreign_key="appointment.id")


class HandOverRow(SQLModel, table=True):
    """An appointment leaving one technician for another: the tombstone in the first one's feed."""

    __tablename__ = "hand_over"

    id: str = Field(primary_key=True)
    appointment_id: str = Field(foreign_key="appointment.id", index=True)
    technician_id: str = Field(foreign_key="technician.id", index=True)
    starts_at: datetime
    ends_at: datetime
    sequence: int
    handed_over_at: datetime
