"""Which rows someone may see: the one place where it is said what belongs to whom.

Somebody who asks for a row that is not theirs is told what they would be told if there were none.
"""

from dataclasses import dataclass
from typing import Any, TypeVar

from sqlalchemy import ColumnElement
from sqlmodel import Session, SQLModel, col, select

from api.storage.tables import (
    AbsenceCalendarRow,
    AbsenceRow,
    AppointmentRow,
    CallbackRow,
    ClientRow,
    ContractRow,
    DeliveryRow,
    DueTaskRow,
    FeedLinkRow,
    FittedPartRow,
    HoldRow,
    MachineRow,
    MeterReadingRow,
    SiteRow,
    TechnicianRow,
    VisitRow,
    WebhookEndpointRow,
    WorkDoneRow,
)
from api.storage.tables.access import OF_TECHNICIAN
from scheduler.errors import Absent

Row = TypeVar("Row", bound=SQLModel)


@dataclass(frozen=True, slots=True, kw_only=True)
class Scope:
    """``client``: only what belongs to this client. ``technician``: of people, appointments and
    calendars only their own, of everything else all. Neither: everything.
    """

    client: str | None = None
    technician: str | None = None

    def restrictions(self, table: type[SQLModel]) -> list[ColumnElement[bool]]:
        """Return the conditions a row of ``table`` has to meet to be seen."""
        conditions: list[ColumnElement[bool]] = []
        if self.client is not None:
            conditions.append(_of_client(table, self.client))
        own = _TECHNICIAN_OF.get(table)
        if self.technician is not None and own is not None:
            conditions.append(own == self.technician)
        if self.technician is not None and table is FeedLinkRow:
            conditions.append(col(FeedLinkRow.kind).in_(OF_TECHNICIAN))
            conditions.append(col(FeedLinkRow.subject) == self.technician)
        return conditions


EVERYTHING = Scope()

_TECHNICIAN_OF: dict[type[SQLModel], Any] = {
    AbsenceCalendarRow: col(AbsenceCalendarRow.technician_id),
    AbsenceRow: col(AbsenceRow.technician_id),
    AppointmentRow: col(AppointmentRow.technician_id),
    TechnicianRow: col(TechnicianRow.id),
}

_CLIENT_OF: dict[type[SQLModel], Any] = {
    CallbackRow: col(CallbackRow.client_id),
    ClientRow: col(ClientRow.id),
    ContractRow: col(ContractRow.client_id),
    HoldRow: col(HoldRow.client_id),
    SiteRow: col(SiteRow.client_id),
    WebhookEndpointRow: col(WebhookEndpointRow.client_id),
}
_SITE_OF: dict[type[SQLModel], Any] = {
    DueTaskRow: col(DueTaskRow.site_id),
    MachineRow: col(MachineRow.site_id),
    VisitRow: col(VisitRow.site_id),
}
_MACHINE_OF: dict[type[SQLModel], Any] = {
    FittedPartRow: col(FittedPartRow.machine_id),
    MeterReadingRow: col(MeterReadingRow.machine_id),
    WorkDoneRow: col(WorkDoneRow.machine_id),
}


def _of_client(table: type[SQLModel], client: str) -> ColumnElement[bool]:
    """Return the condition that a row belongs to a client; what belongs to nobody is refused."""
    if table in _CLIENT_OF:
        owner: ColumnElement[bool] = _CLIENT_OF[table] == client
        return owner
    sites = select(SiteRow.id).where(SiteRow.client_id == client)
    if table in _SITE_OF:
        at_site: ColumnElement[bool] = _SITE_OF[table].in_(sites)
        return at_site
    if table in _MACHINE_OF:
        machines = select(MachineRow.id).where(col(MachineRow.site_id).in_(sites))
        in_machine: ColumnElement[bool] = _MACHINE_OF[table].in_(machines)
        return in_machine
    if table is DeliveryRow:
        endpoints = select(WebhookEndpointRow.id).where(WebhookEndpointRow.client_id == client)
        return col(DeliveryRow.endpoint_id).in_(endpoints)
    if table is AppointmentRow:
        visits = select(VisitRow.id).where(col(VisitRow.site_id).in_(sites))
        return col(AppointmentRow.visit_id).in_(visits)
    raise Absent(kind_of(table), "for a client")


def kind_of(table: type[SQLModel]) -> str:
    """Return what a row of ``table`` is called in a sentence."""
    return str(table.__tablename__).replace("_", " ")


def one(session: Session, table: type[Row], row_id: str, scope: Scope) -> Row:
    """Return a row by its id.

    Raises
    ------
    Absent
        When there is none, or it lies outside the scope.
    """
    found = session.exec(
        select(table).where(table.id == row_id, *scope.restrictions(table))  # type: ignore[attr-defined]
    ).first()
    if found is None:
        raise Absent(kind_of(table), row_id)
    return found
