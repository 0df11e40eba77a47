"""Travel: where technicians were when, what that says about the roads, and what a router says."""

from datetime import datetime
from typing import Any

from sqlalchemy import JSON, UniqueConstraint
from sqlmodel import Field, SQLModel


class StayRow(SQLModel, table=True):
    """One technician at one site, as far as it was said; the site's place and plan as they were."""

    __tablename__ = "stay"

    appointment_id: str = Field(primary_key=True, foreign_key="appointment.id")
    technician_id: str = Field(foreign_key="technician.id", index=True)
    lat: float
    lon: float
    planned_start: datetime
    arrived_at: datetime = Field(index=True)
    left_at: datetime | None = None
    set_out_at: datetime | None = None


class TravelCalibrationRow(SQLModel, table=True):
    """What recorded drives say about the estimate of travel; the latest one is in use."""

    __tablename__ = "travel_calibration"

    id: str = Field(primary_key=True)
    made_at: datetime = Field(index=True)
    since: datetime  # drives from then on were looked at
    drives: int
    by_ferry: int
    passed_over: dict[str, int] = Field(sa_type=JSON)  # reason → how many gaps tell nothing
    odd: list[dict[str, Any]] = Field(sa_type=JSON)  # the worst ones
    odd_drives: int
    stop_minutes: float
    bands: list[dict[str, Any]] = Field(sa_type=JSON)  # from_km, km_per_hour, factor, drives
    usual_error_minutes: float
    error_minutes: float


class RoadServiceRow(SQLModel, table=True):
    """At most one row: the router whose times are in use, and how it is.

    Without a row travel is estimated. ``lease_until`` keeps a second process from asking the same.
    """

    __tablename__ = "road_service"

    id: int = Field(primary_key=True)
    address: str
    answered_at: datetime | None = None
    failing_since: datetime | None = None
    failure: str | None = None
    holder: str | None = None
    lease_until: datetime | None = None


class RoadPlaceRow(SQLModel, table=True):
    """A place on the map that the router was asked about, numbered in the order of asking.

    ``off_road_metres`` is how far the next road is, None where there is none to be found.
    """

    __tablename__ = "road_place"
    __table_args__ = (UniqueConstraint("lat", "lon"),)

    number: int | None = Field(default=None, primary_key=True)
    lat: float
    lon: float
    off_road_metres: float | None = None
    asked_at: datetime | None = None


class RoadWaysRow(SQLModel, table=True):
    """The ways between a place and those numbered before it, both directions, packed.

    It is written whole or not at all, so that a row that is there lacks nothing.
    """

    __tablename__ = "road_ways"

    place: int = Field(primary_key=True, foreign_key="road_place.number")
    fetched_at: datetime = Field(index=True)
    pairs: int
    octets: bytes
