"""The company's own changes of the catalogue: looked at beforehand, stored, taken back."""

from collections.abc import Iterator, Mapping
from datetime import date, datetime
from typing import Any

from sqlmodel import Session, col, func, select

from api.actions.decide_intervals import preview_catalogue
from api.storage.audit import Origin, record
from api.storage.catalogue_edits import CatalogueInForce, KnownCatalogue, standing_edits
from api.storage.database import Database
from api.storage.ids import new_id
from api.storage.tables import (
    CallbackRow,
    CatalogueEditRow,
    DueTaskRow,
    ExaminationRow,
    FittedPartRow,
    IntervalDecisionRow,
    MachineRow,
    MeasurementRow,
    StockRow,
    TechnicianRow,
    WorkDoneRow,
)
from scheduler.catalogue import Catalogue
from scheduler.catalogue_edits import without_edit
from scheduler.catalogue_text import BY_ID
from scheduler.due_changes import DueChanges
from scheduler.errors import Absent, Conflict, Flaw, InvalidCatalogue, StaleVersion

_NAMED_IN: Mapping[str, tuple[tuple[Any, str], ...]] = {
    "rules": (
        (DueTaskRow.rule, "due tasks"),
        (WorkDoneRow.rule, "pieces of work done"),
        (IntervalDecisionRow.rule, "interval decisions"),
        (ExaminationRow.rule, "examinations"),
    ),
    "part_types": ((FittedPartRow.part_type, "fitted parts"), (StockRow.part_type, "stocks")),
    "set_points": ((MeasurementRow.set_point, "values read"),),
    "faults": ((CallbackRow.cause, "callbacks"),),
}
_LISTED_IN: Mapping[str, tuple[Any, str]] = {
    "features": (MachineRow.features, "machines"),
    "skills": (TechnicianRow.skills, "technicians"),
    "symptoms": (CallbackRow.symptoms, "callbacks"),
}
"""Where records name entries of the catalogue, by table."""


def preview_edit(session: Session, known: KnownCatalogue, text: str, *, today: date) -> DueChanges:
    """Return what an edit would do to the dates of the work to come, without storing it.

    Raises
    ------
    InvalidCatalogue
        As for :func:`store_edit`.
    """
    in_force = known.at(session).edited
    return preview_catalogue(
        session, in_force.catalogue, in_force.amended(text).catalogue, today=today
    )


def store_edit(
    database: Database,
    known: KnownCatalogue,
    text: str,
    reason: str,
    *,
    if_version: int,
    now: datetime,
    origin: Origin,
) -> CatalogueEditRow:
    """Store a change of the catalogue; every process works by it from its next look on.

    Raises
    ------
    InvalidCatalogue
        With every flaw of the text, of what would no longer fit together, and of what the law, a
        maker or safety does not allow.
    StaleVersion
        The catalogue has changed since the caller read it.
    """
    with database.write() as session:
        in_force = _expected(session, known, if_version)
        in_force.edited.amended(text)
        row = _next(in_force, reason, now=now, origin=origin)
        row.text = text
        session.add(row)
        subject = f"catalogue_edit/{row.id}"
        record(
            session,
            origin,
            now=now,
            verb="edit",
            subject=subject,
            after={"text": text, "reason": reason},
        )
        return row


def take_edit_back(
    database: Database,
    known: KnownCatalogue,
    edit_id: str,
    reason: str,
    *,
    if_version: int,
    now: datetime,
    origin: Origin,
) -> CatalogueEditRow:
    """Take an edit back; the files, and the other edits, hold again for what it changed.

    Returns
    -------
    The record of the taking back.

    Raises
    ------
    Absent
        There is no such edit.
    Conflict
        It is none that can be taken back, or has been already.
    InvalidCatalogue
        Later edits or records rest on what it added.
    StaleVersion
        The catalogue has changed since the caller read it.
    """
    with database.write() as session:
        edit = session.exec(select(CatalogueEditRow).where(CatalogueEditRow.id == edit_id)).first()
        if edit is None:
            raise Absent("catalogue edit", edit_id)
        in_force = _expected(session, known, if_version)
        edits = standing_edits(session)
        if edit_id not in {each.id for each in edits}:
            raise Conflict(f"edit {edit_id} does not stand: there is nothing to take back")
        after = without_edit(known.shipped, edits, edit_id)
        if flaws := tuple(_missed(session, in_force.edited.catalogue, after.catalogue)):
            raise InvalidCatalogue(flaws)
        row = _next(in_force, reason, now=now, origin=origin)
        row.takes_back = edit_id
        session.add(row)
        subject = f"catalogue_edit/{edit_id}"
        record(
            session, origin, now=now, verb="take back", subject=subject, after={"reason": reason}
        )
        return row


def _expected(session: Session, known: KnownCatalogue, if_version: int) -> CatalogueInForce:
    in_force = known.at(session)
    if in_force.version != if_version:
        raise StaleVersion(f"the catalogue is at version {in_force.version}, not {if_version}")
    return in_force


def _next(
    in_force: CatalogueInForce, reason: str, *, now: datetime, origin: Origin
) -> CatalogueEditRow:
    # numbers are unique: of two at the same moment the database refuses one
    return CatalogueEditRow(
        number=in_force.version,
        id=new_id("ce"),
        reason=reason,
        made_by=origin.actor,
        made_at=now,
    )


def _missed(session: Session, before: Catalogue, after: Catalogue) -> Iterator[Flaw]:
    """Yield the entries that would be gone although records name them."""
    for table in BY_ID:
        for entry in sorted(set(getattr(before, table)) - set(getattr(after, table))):
            for number, what in _named(session, table, entry):
                if number:
                    yield Flaw(
                        path=f"{table}.{entry}",
                        message=f"{number} {what} name it: store another edit instead",
                    )


def _named(session: Session, table: str, entry: str) -> Iterator[tuple[int, str]]:
    for column, what in _NAMED_IN.get(table, ()):
        yield session.exec(select(func.count()).where(col(column) == entry)).one(), what
    if table in _LISTED_IN:
        column, what = _LISTED_IN[table]
        yield sum(entry in listed for listed in session.exec(select(column))), what
