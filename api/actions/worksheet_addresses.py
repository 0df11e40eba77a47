"""Worksheets for whoever holds their address: a calendar program or telephone brings no key.

Every event of a technician's own calendar names the page of its worksheet. All addresses in one
calendar are derived from one key, which is retired with any link to that calendar: whoever held the
lost telephone can then read neither the calendar nor a worksheet.
"""

import hmac
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from typing import cast

from sqlmodel import Session, col, select

from api.actions.briefs import BriefedWork, Briefs
from api.feeds.links import mint_worksheet_key, worksheet_path, worksheet_secret
from api.feeds.phrases import Language
from api.feeds.window import PAST_DAYS
from api.storage.public_address import public_address
from api.storage.tables import AppointmentRow, HandOverRow, TechnicianRow, WorksheetKeyRow
from scheduler.catalogue import Catalogue
from scheduler.errors import Absent
from scheduler.lifecycle import AppointmentState


class WhyGone(StrEnum):
    """Why an address that once led to a worksheet leads nowhere."""

    WITHDRAWN = "withdrawn"  # a link to the calendar it stood in was, or it is long over
    TAKEN_OVER = "taken_over"  # somebody else makes the visit now
    CALLED_OFF = "called_off"


@dataclass(frozen=True, slots=True, kw_only=True)
class GoneWorksheet:
    """A worksheet that is no longer for whoever asks, and the language they read."""

    why: WhyGone
    language: Language


def worksheet_addresses(
    session: Session, technician: str, *, now: datetime
) -> Callable[[str], str | None]:
    """Return what gives the address of an appointment's worksheet in a technician's calendar.

    The same one for the same appointment as long as the key is in force. Until a server has said
    where it is reached there are no addresses.
    """
    base = public_address(session)
    if base is None:
        return lambda _: None
    keys = _keys(session, [technician])
    key = next((each for each in keys if each.retired_at is None), None)
    if key is None:
        key = WorksheetKeyRow(
            technician_id=technician,
            number=1 + max((each.number for each in keys), default=0),
            secret=mint_worksheet_key(),
            created_at=now,
        )
        session.add(key)
    secret = key.secret
    return lambda appointment: f"{base}{worksheet_path(secret, appointment)}"


def retire_worksheet_addresses(session: Session, technician: str, *, now: datetime) -> None:
    """Withdraw every worksheet address handed out in a technician's calendar so far."""
    for key in _keys(session, [technician]):
        if key.retired_at is None:
            key.retired_at = now
            session.add(key)


def open_worksheet(
    session: Session, secret: str, appointment_id: str, catalogue: Catalogue, *, now: datetime
) -> BriefedWork | GoneWorksheet:
    """Return the worksheet an address leads to, or why it leads nowhere any more.

    Raises
    ------
    Absent
        The address was never given out.
    """
    row = session.get(AppointmentRow, appointment_id)
    key = None if row is None else _key_of(session, row, secret)
    if row is None or key is None:
        raise Absent("worksheet", "at this address")
    reader = session.get_one(TechnicianRow, key.technician_id)
    language = cast(Language, reader.language)
    why = _why_gone(row, key, now)
    if why is not None:
        return GoneWorksheet(why=why, language=language)
    return Briefs(session, [row], catalogue, with_work=True, language=language).worksheet(row)


def _why_gone(row: AppointmentRow, key: WorksheetKeyRow, now: datetime) -> WhyGone | None:
    if key.retired_at is not None or row.ends_at + timedelta(days=PAST_DAYS) < now:
        return WhyGone.WITHDRAWN
    if key.technician_id != row.technician_id:
        return WhyGone.TAKEN_OVER
    if row.state == AppointmentState.CANCELLED:
        return WhyGone.CALLED_OFF
    return None


def _key_of(session: Session, row: AppointmentRow, secret: str) -> WorksheetKeyRow | None:
    """Return the key a secret was made with, retired or not; all of them are tried."""
    left = session.exec(
        select(HandOverRow.technician_id).where(HandOverRow.appointment_id == row.id)
    ).all()
    found = [
        key
        for key in _keys(session, [row.technician_id, *left])
        if hmac.compare_digest(worksheet_secret(key.secret, row.id).encode(), secret.encode())
    ]
    return found[0] if found else None


def _keys(session: Session, technicians: Sequence[str]) -> Sequence[WorksheetKeyRow]:
    return session.exec(
        select(WorksheetKeyRow)
        .where(col(WorksheetKeyRow.technician_id).in_(technicians))
        .order_by(col(WorksheetKeyRow.technician_id), col(WorksheetKeyRow.number))
    ).all()
