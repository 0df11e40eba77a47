"""Appointment states and the moves allowed between them, as one table."""

from collections.abc import Mapping
from enum import StrEnum
from types import MappingProxyType

from scheduler.errors import MoveNotAllowed


class AppointmentState(StrEnum):
    """Where an appointment stands."""

    PLANNED = "planned"  # published, may still move
    PROMISED = "promised"  # the client holds a time; the planner may not move it
    UNDER_WAY = "under_way"
    DONE = "done"
    NO_ACCESS = "no_access"  # the technician came and could not get at the machine
    CANCELLED = "cancelled"


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
