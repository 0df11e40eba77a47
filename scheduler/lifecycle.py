"""Appointment states and the moves allowed between them, as one table."""

from collections.abc import Mapping
from datetime import datetime, timedelta
from enum import StrEnum
from types import MappingProxyType
from typing import Final
from zoneinfo import ZoneInfo

from scheduler.errors import MoveNotAllowed, TooEarly
from scheduler.working_time import local_date, local_day

LEAD: Final = timedelta(hours=4)
"""How early a visit just after midnight may be begun."""


class AppointmentState(StrEnum):
    """Where an appointment stands."""

    PLANNED = "planned"  # published, may still move
    PROMISED = "promised"  # the client holds a time; the planner may not move it
    UNDER_WAY = "under_way"
    DONE = "done"
    NO_ACCESS = "no_access"  # the technician came and could not get at the machine
    CANCELLED = "cancelled"


LIVE: Final = frozenset(
    {AppointmentState.PLANNED, AppointmentState.PROMISED, AppointmentState.UNDER_WAY}
)
"""States in which an appointment takes up its technician's time, and its site's."""

ALLOWED_MOVES: Mapping[AppointmentState, frozenset[AppointmentState]] = MappingProxyType(
    {
        AppointmentState.PLANNED: frozenset(
            {AppointmentState.PROMISED, AppointmentState.UNDER_WAY, AppointmentState.CANCELLED}
        ),
        AppointmentState.PROMISED: frozenset(
            {AppointmentState.PLANNED, AppointmentState.UNDER_WAY, AppointmentState.CANCELLED}
        ),
        AppointmentState.UNDER_WAY: frozenset(
            {AppointmentState.DONE, AppointmentState.NO_ACCESS, AppointmentState.CANCELLED}
        ),
        AppointmentState.DONE: frozenset(),
        AppointmentState.NO_ACCESS: frozenset(),
        AppointmentState.CANCELLED: frozenset(),
    }
)


def may_move(before: AppointmentState, after: AppointmentState) -> bool:
    """Whether an appointment in state ``before`` may go to state ``after``."""
    return after in ALLOWED_MOVES[before]


def move(before: AppointmentState, after: AppointmentState) -> AppointmentState:
    """Return ``after`` when an appointment may go there from ``before``.

    Raises
    ------
    MoveNotAllowed
        When the table has no such move; staying where it is is not a move either.
    """
    if not may_move(before, after):
        raise MoveNotAllowed(before, after, ALLOWED_MOVES[before])
    return after


def check_begin(starts_at: datetime, zone: str, *, now: datetime) -> None:
    """Refuse to begin a visit before its day; within the day a technician may run early.

    Parameters
    ----------
    zone : of the site; its midnight counts, or four hours before the visit if that is earlier.

    Raises
    ------
    TooEarly
        When the day has not come.
    """
    day = local_day(local_date(starts_at, zone), zone).hull()
    assert day is not None, "every day has an instant"
    begins = min(day.start, starts_at - LEAD)
    if now < begins:
        local = ZoneInfo(zone)
        raise TooEarly(starts_at.astimezone(local), begins.astimezone(local))
