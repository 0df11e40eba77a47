"""Appointment states and the moves allowed between them, as one table."""

from enum import StrEnum


class AppointmentState(StrEnum):
    """Where an appointment stands."""

    PLANNED = "planned"  # published, may still move
    PROMISED = "promised"  # the client holds a time; the planner may not move it
    UNDER_WAY = "under_way"
    DONE = "done"
    NO_ACCESS = "no_access"  # the technician came and could not get at the machine
    CANCELLED = "cancelled"


ALLOWED_MOVES: dict[AppointmentState, frozenset[AppointmentState]] = {
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


def may_move(before: AppointmentState, after: AppointmentState) -> bool:
    """Whether an appointment in state ``before`` may go to state ``after``."""
    return after in ALLOWED_MOVES[before]
