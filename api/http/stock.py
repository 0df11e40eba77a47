"""Parts at hand: counts of the workshop and the vans, load lists, and what will be short."""

from datetime import date
from typing import Annotated

from fastapi import APIRouter, Query, Response
from pydantic import BaseModel, ConfigDict, Field
from sqlmodel import Session

from api.actions.stock import count_stock, loads, uncount_stock, workshop_reorders
from api.auth import Role
from api.http.context import Catalogue, Now, OfficeDeed, OfficeLook, StaffDeed, StaffLook
from api.http.problems import documented
from api.http.wire import Given, from_row
from api.storage.column_types import Day
from api.storage.names import technician_names
from api.storage.snapshots import company, company_zone
from api.storage.stock import WORKSHOP, is_place, stock_at_hand, stock_by_place
from api.storage.tables import TechnicianRow
from scheduler import van_stock
from scheduler.errors import Absent
from scheduler.reordering import OrderPolicy
from scheduler.working_time import local_date

router = APIRouter(prefix="/v1", tags=["stock"])

_ORDERS = OrderPolicy()

FirstDay = Annotated[Day | None, Query(description="Today when left out.")]
Days = Annotated[int, Query(ge=1, le=60, description="How many days from the first.")]


class Count(Given):
    """Everything that lies at a place; what is not named is not there, so `{}` is an empty van."""

    model_config = ConfigDict(
        json_schema_extra={"examples": [{"pieces": {"group_gasket": 12, "steam_valve_kit": 4}}]}
    )

    pieces: dict[str, Annotated[int, Field(ge=0, le=100_000)]] = Field(max_length=1000)


class Stock(BaseModel):
    """What lies at a place."""

    place: str = Field(description='"workshop", or the id of the technician whose van it is.')
    counted: bool = Field(description="False as long as nobody has counted it.")
    pieces: dict[str, int] = Field(description="As they were counted.")
    at_hand: dict[str, int] = Field(
        description="What should lie there now: the count, less what the visits reported since "
        "used, and with what was to be fetched on the way to those begun since."
    )


class Load(BaseModel):
    """A part that is needed, and where it comes from."""

    part_type: str
    part_name: str
    needed: int
    in_van: int
    from_workshop: int
    short: int = Field(description="Neither in the van nor in the workshop.")
    order_by: date | None = Field(description="The last day on which ordering still helps.")


class DayLoad(BaseModel):
    """One day's load, what is short first."""

    day: date
    technician_id: str
    technician_name: str
    loads: list[Load]


class LoadList(BaseModel):
    """What to load for the booked visits, and what is worth carrying besides."""

    technician_id: str
    technician_name: str
    van_counted: bool
    workshop_counted: bool = Field(
        description="A workshop nobody has counted is taken to have all."
    )
    days: list[DayLoad]
    carry: dict[str, int] = Field(
        description="Pieces worth carrying for faults nobody can foresee."
    )


class Shortage(BaseModel):
    """A part that will be missing at a visit unless it is ordered."""

    day: date
    technician_id: str
    technician_name: str
    part_type: str
    part_name: str
    short: int
    order_by: date
    too_late: bool = Field(description="Ordering today no longer helps; move the visit.")


class UncountedVan(BaseModel):
    """A van that leaves on one of the days, and of which nobody has said what lies in it."""

    technician_id: str
    technician_name: str


class Shortages(BaseModel):
    """Everything that will be short, what has to be ordered first at the front.

    What nobody has counted is not known: PUT /v1/stock/{place} stores a count.
    """

    items: list[Shortage]
    workshop_counted: bool = Field(
        description="False as long as nobody has counted the workshop: it is then taken to have "
        "all, so nothing is listed, whatever is short."
    )
    vans_not_counted: list[UncountedVan] = Field(
        description="Vans loaded on these days that nobody has counted. They are taken to be "
        "empty here (plans take them to have all): what is listed as short may lie in them."
    )


class Reorder(BaseModel):
    """When the workshop orders a part, and how many: at one level, up to another."""

    part_type: str
    demand_a_year: float = Field(description="By recurring work and by faults.")
    lead_days: int
    reorder_at: int = Field(description="Order once stock and orders on their way are down to it.")
    order_up_to: int = Field(description="Order so many that both together come up to it.")
    cost_a_year_minor: int = Field(description="Of orders, of stock and of waiting, on average.")
    in_stock: int | None = Field(description="Null where the workshop was never counted.")
    order_now: int = Field(description="Take off what is on order already.")


class Reorders(BaseModel):
    """The levels of every part worth keeping, what has to be ordered now first."""

    currency: str
    items: list[Reorder]


@router.get("/stock/{place}", responses=documented(404))
def get_stock(place: str, look: StaffLook) -> Stock:
    """Return what lies at a place."""
    if look.who.role is Role.TECHNICIAN and place not in (WORKSHOP, look.who.technician):
        raise Absent("place", place)
    if not is_place(look.session, place):
        raise Absent("place", place)
    return _stock(look.session, place)


@router.put("/stock/{place}", responses=documented(400, 404, 413))
def put_stock(place: str, body: Count, deed: StaffDeed) -> Stock:
    """Store a count, in the place of the one before; a technician counts their own van.

    A visit's parts are taken off it when the visit is reported, so report what is done first.
    """
    if deed.who.role is Role.TECHNICIAN and place != deed.who.technician:
        raise Absent("place", place)
    count_stock(deed.database, place, body.pieces, deed.catalogue, now=deed.now, origin=deed.origin)
    with deed.database.read() as session:
        return _stock(session, place)


@router.delete("/stock/{place}", status_code=204, responses=documented(404))
def delete_stock(place: str, deed: OfficeDeed) -> Response:
    """Forget the count of a place: plans then take it to have all, as before it was counted."""
    uncount_stock(deed.database, place, now=deed.now, origin=deed.origin)
    return Response(status_code=204)


def _stock(session: Session, place: str) -> Stock:
    counted = stock_by_place(session)
    return Stock(
        place=place,
        counted=place in counted,
        pieces=counted.get(place, {}),
        at_hand=stock_at_hand(session).get(place, {}),
    )


@router.get("/technicians/{technician_id}/load", responses=documented(404))
def get_load(
    technician_id: str,
    look: StaffLook,
    catalogue: Catalogue,
    now: Now,
    first_day: FirstDay = None,
    days: Days = 1,
) -> LoadList:
    """Say what a technician has to load for the visits booked on some days."""
    row = look.row(TechnicianRow, technician_id)
    begin = first_day or local_date(now, company_zone(look.session))
    found = loads(look.session, catalogue, first_day=begin, days=days, technician=row.id)
    return LoadList(
        technician_id=row.id,
        technician_name=row.name,
        van_counted=row.id in found.counted,
        workshop_counted=WORKSHOP in found.counted,
        days=[_day(trip, row.name, catalogue) for trip in found.trips],
        carry=dict(found.carry),
    )


@router.get("/shortages", responses=documented())
def list_shortages(
    look: OfficeLook,
    catalogue: Catalogue,
    now: Now,
    first_day: FirstDay = None,
    days: Days = 14,
) -> Shortages:
    """Say which parts booked visits will lack, and by when to order them."""
    today = local_date(now, company_zone(look.session))
    found = loads(look.session, catalogue, first_day=first_day or today, days=days)
    names = technician_names(look.session, {trip.technician for trip in found.trips if trip.loads})
    items = [
        Shortage(
            day=trip.day,
            technician_id=trip.technician,
            technician_name=names[trip.technician],
            part_type=load.part_type,
            part_name=catalogue.part_types[load.part_type].name,
            short=load.short,
            order_by=load.order_by,
            too_late=load.order_by < today,
        )
        for trip in found.trips
        for load in trip.loads
        if load.order_by is not None
    ]
    return Shortages(
        items=sorted(items, key=lambda each: (each.order_by, each.part_type)),
        workshop_counted=WORKSHOP in found.counted,
        vans_not_counted=[
            UncountedVan(technician_id=technician, technician_name=name)
            for technician, name in sorted(names.items())
            if technician not in found.counted
        ],
    )


@router.get("/reorders", responses=documented())
def list_reorders(
    look: OfficeLook,
    catalogue: Catalogue,
    now: Now,
    order_minor: Annotated[
        float, Query(ge=0, le=20_000, description="Fixed cost of an order line.")
    ] = _ORDERS.order_minor,
    shortage_week_minor: Annotated[
        float, Query(ge=100, le=1e7, description="Cost of a week's wait for a piece.")
    ] = _ORDERS.shortage_week_minor,
    review_days: Annotated[
        int, Query(ge=1, le=60, description="Days between two looks at the shelves.")
    ] = 7,
) -> Reorders:
    """Say at which stock the workshop orders each part, and up to how many pieces.

    Recurring work is taken to come by chance like faults, which keeps a little more than needed.
    """
    policy = OrderPolicy(
        order_minor=order_minor, shortage_week_minor=shortage_week_minor, review_days=review_days
    )
    today = local_date(now, company_zone(look.session))
    found = workshop_reorders(look.session, catalogue, today=today, policy=policy)
    return Reorders(
        currency=company(look.session).currency,
        items=[
            from_row(
                Reorder,
                each,
                demand_a_year=round(each.demand_a_year, 1),
                cost_a_year_minor=round(each.cost_a_year_minor),
            )
            for each in found
        ],
    )


def _day(trip: van_stock.TripLoad, technician_name: str, catalogue: Catalogue) -> DayLoad:
    return DayLoad(
        day=trip.day,
        technician_id=trip.technician,
        technician_name=technician_name,
        loads=[
            from_row(Load, load, part_name=catalogue.part_types[load.part_type].name)
            for load in trip.loads
        ],
    )
