"""Parts at hand: counted, loaded for the booked visits, worth carrying, short."""

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime

from sqlmodel import Session, col, func, select

from api.actions.look_ahead import outlook
from api.storage.audit import Origin, record
from api.storage.database import Database
from api.storage.snapshots import build_of, company_zone
from api.storage.stock import (
    WORKSHOP,
    booked_trips,
    forget_count,
    is_place,
    replace_count,
    stock_at_hand,
    stock_by_place,
)
from api.storage.tables import MachineRow, TechnicianRow
from scheduler.catalogue import Catalogue
from scheduler.errors import Absent, InvalidInput, UnknownReference
from scheduler.reordering import OrderPolicy, Reorder, reorders
from scheduler.van_stock import StockPolicy, TripLoad, fault_demand_a_year, loads_ahead, van_stock


@dataclass(frozen=True, slots=True, kw_only=True)
class Loads:
    """What the coming trips need, and what is worth carrying in each van beyond it.

    ``counted`` lists the places that were counted; a workshop that was not is taken to have all.
    """

    trips: tuple[TripLoad, ...]
    carry: Mapping[str, int]
    counted: tuple[str, ...]


def count_stock(
    database: Database,
    place: str,
    pieces: Mapping[str, int],
    catalogue: Catalogue,
    *,
    now: datetime,
    origin: Origin,
) -> None:
    """Store the count of a place: "workshop", or the id of the technician whose van it is.

    Raises
    ------
    Absent
        There is no such place.
    UnknownReference, InvalidInput
        A part is not in the catalogue, or there is less than none of it; nothing is stored.
    """
    for part_type, number in pieces.items():
        if part_type not in catalogue.part_types:
            raise UnknownReference("part type", part_type, catalogue.part_types)
        if number < 0:
            raise InvalidInput(f"pieces of {part_type} must be >= 0, got {number}")
    with database.write() as session:
        if not is_place(session, place):
            raise Absent("place", place)
        replace_count(session, place, dict(pieces), now=now)
        record(session, origin, now=now, verb="count", subject=f"stock/{place}", after=dict(pieces))


def uncount_stock(database: Database, place: str, *, now: datetime, origin: Origin) -> None:
    """Forget the count of a place: what lies there is not known from then on.

    Raises
    ------
    Absent
        There is no such place, or nobody has counted it.
    """
    with database.write() as session:
        counted = stock_by_place(session).get(place)
        if counted is None:
            raise Absent("count of place", place)
        forget_count(session, place)
        record(session, origin, now=now, verb="uncount", subject=f"stock/{place}", before=counted)


def workshop_reorders(
    session: Session, catalogue: Catalogue, *, today: date, policy: OrderPolicy
) -> tuple[Reorder, ...]:
    """Return when to order each part for the workshop, and how many.

    The demand is a year of recurring work and of the faults of all machines.
    """
    machines = session.exec(select(MachineRow).where(col(MachineRow.retired_on).is_(None)))
    demand = Counter(fault_demand_a_year(map(build_of, machines), catalogue))
    for month in outlook(session, catalogue, today=today):
        demand.update(month.parts)
    return reorders(demand, stock_at_hand(session).get(WORKSHOP), catalogue, policy)


def loads(
    session: Session,
    catalogue: Catalogue,
    *,
    first_day: date,
    days: int,
    technician: str | None = None,
) -> Loads:
    """Return the load lists of some days, of everybody or of one technician.

    Pieces in the workshop go to the earlier trip, whoever drives it. What is worth carrying is
    reckoned on the faults of all machines, shared evenly among the technicians.
    """
    stock = stock_at_hand(session)
    trips = booked_trips(session, first_day=first_day, days=days, zone=company_zone(session))
    ahead = loads_ahead(trips, stock, stock.get(WORKSHOP), catalogue)
    people = session.exec(
        select(func.count()).select_from(TechnicianRow).where(col(TechnicianRow.active))
    ).one()
    machines = session.exec(select(MachineRow).where(col(MachineRow.retired_on).is_(None)))
    demand = fault_demand_a_year(map(build_of, machines), catalogue)
    share = {part: pieces / max(people, 1) for part, pieces in demand.items()}
    return Loads(
        trips=tuple(trip for trip in ahead if technician is None or trip.technician == technician),
        carry=van_stock(share, catalogue, StockPolicy()),
        counted=tuple(sorted(stock)),
    )
