"""An appointment changes its place: what becomes of calls at the workshop, and what they load."""

from collections.abc import Sequence
from datetime import datetime

from sqlmodel import Session, col, select

from api.actions.plan_changes import Slot
from api.storage.open_work import MOVABLE
from api.storage.tables import AppointmentRow, TechnicianRow
from scheduler.fetch_lists import FetchList, Loading, loaded_in_time, summed
from scheduler.offers import Placement
from scheduler.working_time import local_date


def fetch_in_time(
    session: Session,
    row: AppointmentRow,
    before: Slot | None = None,
    *,
    placement: Placement | None = None,
    now: datetime,
) -> None:
    """See to it that every part is fetched before its visit, wherever an appointment went.

    A call that loads for its own visit goes with it while that comes first; else the next of the
    round takes it over. Where nothing comes after it that day, what other visits need is fetched on
    another call before them, or loaded before their round. What was to be fetched for the visit
    itself is not any more, unless its technician keeps it.

    Parameters
    ----------
    row : where it is now; may be called off.
    before : where it was, None when it is new.
    placement : says what its visit needs from the workshop there, and whether time is kept for it
        to call; None where a dispatcher chose the time.
    """
    needed: FetchList = {}
    if placement is not None and placement.fetch:
        needed = {row.visit_id: placement.fetch}
    if before is not None:
        zone = session.get_one(TechnicianRow, before.technician).zone
        ahead = _ahead(session, before.technician, now)
        homeless = _left_behind(row, before, ahead, zone, needs_are_known=placement is not None)
        if before.technician == row.technician_id:
            _call(row, placement)
            homeless = summed(homeless, needed)
        _lay(session, ahead, homeless, zone, now)
    if before is None or before.technician != row.technician_id:
        zone = session.get_one(TechnicianRow, row.technician_id).zone
        _call(row, placement)
        _lay(session, _ahead(session, row.technician_id, now), needed, zone, now)


def _call(row: AppointmentRow, placement: Placement | None) -> None:
    if placement is not None and placement.call_minutes is not None:
        row.call_minutes = placement.call_minutes


def _ahead(session: Session, technician: str, now: datetime) -> Sequence[AppointmentRow]:
    return session.exec(
        select(AppointmentRow)
        .where(AppointmentRow.technician_id == technician)
        .where(col(AppointmentRow.state).in_(MOVABLE), AppointmentRow.starts_at >= now)
        .order_by(col(AppointmentRow.starts_at))
    ).all()


def _left_behind(
    row: AppointmentRow,
    before: Slot,
    ahead: Sequence[AppointmentRow],
    zone: str,
    *,
    needs_are_known: bool,
) -> FetchList:
    """Hand on what an appointment leaves in its round; return what nobody there can take over.

    Where its own needs are known from elsewhere, what it would fetch for itself is dropped.
    """
    day = local_date(before.starts_at, zone)
    of_round = [each for each in ahead if local_date(each.starts_at, zone) == day]
    after = (each for each in of_round if each is not row and each.starts_at > before.starts_at)
    later = next(after, None)
    stays = any(each is row for each in of_round)
    homeless: FetchList = {}
    goes_along = later is None or (row.visit_id in row.fetch and row.starts_at < later.starts_at)
    if needs_are_known:
        row.fetch = _but_for(row.visit_id, row.fetch)
    if not (stays and goes_along):
        if later is None:
            homeless = row.fetch
        else:
            if later.call_minutes is None:
                later.call_minutes = row.call_minutes
            later.fetch = summed(row.fetch, later.fetch)
        row.call_minutes, row.fetch = None, {}
    if any(each is row for each in ahead):
        return homeless
    for each in ahead:
        if row.visit_id in each.fetch:
            each.fetch = _but_for(row.visit_id, each.fetch)
    return _but_for(row.visit_id, homeless)


def _but_for(visit: str, fetch: FetchList) -> dict[str, dict[str, int]]:
    return {name: dict(pieces) for name, pieces in fetch.items() if name != visit}


def _lay(
    session: Session,
    ahead: Sequence[AppointmentRow],
    homeless: FetchList,
    zone: str,
    now: datetime,
) -> None:
    loadings = [
        Loading(
            visit=row.visit_id,
            day=local_date(row.starts_at, zone),
            call_minutes=row.call_minutes,
            fetch=row.fetch,
        )
        for row in ahead
    ]
    for row, loading in zip(ahead, loaded_in_time(loadings, homeless), strict=True):
        row.call_minutes = loading.call_minutes
        if row.fetch != loading.fetch:
            row.fetch = summed(loading.fetch)
        if session.is_modified(row):
            row.revised_at = now
            session.add(row)
