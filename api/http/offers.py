"""Offers: the times that can really be kept for a visit."""

from datetime import datetime

from fastapi import APIRouter
from pydantic import BaseModel, Field

from api.actions.offering import OfferedTime, OfferedTimes, SuggestedTime, offer_times
from api.auth import Principal, Role
from api.http.context import Now, OfficeOrPortalLook
from api.http.problems import documented
from api.storage.tables import CallbackRow
from scheduler.errors import Absent
from scheduler.last_resorts import LastResortKind
from scheduler.offers import RankReason

router = APIRouter(prefix="/v1", tags=["offers"])


class Offer(BaseModel):
    """A window of arrival that can be kept as things stand. Hold it before somebody else does."""

    arrive_from: datetime = Field(description="Name this to hold the time.")
    arrive_until: datetime
    reason: RankReason = Field(description="Why it stands where it does.")
    near_anyway: bool = Field(
        description="Somebody is close by at that time: a reason for a discount."
    )
    keeps_deadline: bool = Field(description="The technician is there by the deadline.")
    starts_at: datetime | None = Field(description="As things stand. Not told to portals.")
    technician_id: str | None = Field(description="Not told to portals.")
    extra_cost: int | None = Field(
        description="Minutes of travel equivalent it adds. Not told to portals."
    )
    slack_minutes: int | None = Field(
        description="How much later the work could start without moving anything else. "
        "Not told to portals."
    )
    because: str | None = Field(description="The reason with its numbers. Not told to portals.")


class Suggestion(BaseModel):
    """What would keep a deadline that no offer keeps. It costs somebody something."""

    kind: LastResortKind
    technician_id: str
    starts_at: datetime
    extra_cost: int
    overtime_minutes: int
    gives_way: str | None = Field(description="The visit that would have to move.")
    because: str


class TelephoneUs(BaseModel):
    """No time that is offered will do: somebody has to talk about it."""

    number: str | None = Field(description="Where to call, if the company has named a number.")
    because: str


class Offers(BaseModel):
    """The times to offer, in the order to show them, and what else a dispatcher could do."""

    visit_id: str
    deadline: datetime | None = Field(description="Until when somebody has to be there.")
    offers: list[Offer] = Field(description="They keep the deadline, or all of them miss it.")
    telephone_us: TelephoneUs | None = Field(
        description="Present when no offer keeps the deadline or there is none, or when somebody "
        "could be hurt or a machine stands still and no offer is soon: show it above the offers, "
        "and the advice of the callback."
    )
    suggestions: list[Suggestion] = Field(
        description="For dispatchers, when nothing keeps the deadline; the deadline cannot be kept "
        "by these either when they begin after it."
    )


@router.get("/visits/{visit_id}/offers", responses=documented(404, 409))
def get_offers(visit_id: str, look: OfficeOrPortalLook, now: Now) -> Offers:
    """Return the times that can be kept for a visit, the cheapest and soonest first.

    A visit that has its appointment is offered other times to move it to.
    """
    return _shown(offer_times(look.session, visit_id, now=now, scope=look.who.scope), look.who)


@router.get("/callbacks/{callback_id}/offers", responses=documented(404, 409))
def get_callback_offers(callback_id: str, look: OfficeOrPortalLook, now: Now) -> Offers:
    """Return the times that can be kept for the visit that answers a callback."""
    visit_id = look.row(CallbackRow, callback_id).visit_id
    if visit_id is None:
        raise Absent("visit of callback", callback_id)
    return _shown(offer_times(look.session, visit_id, now=now, scope=look.who.scope), look.who)


def _shown(times: OfferedTimes, who: Principal) -> Offers:
    to_staff = who.role is not Role.PORTAL
    return Offers(
        visit_id=times.visit,
        deadline=times.deadline,
        offers=[_offer(each, to_staff) for each in times.offers],
        telephone_us=None
        if times.telephone_because is None
        else TelephoneUs(number=times.telephone or None, because=times.telephone_because),
        suggestions=[_suggestion(each) for each in times.last_resorts] if to_staff else [],
    )


def _offer(time: OfferedTime, to_staff: bool) -> Offer:
    offer = time.offer
    return Offer(
        arrive_from=time.arrive_from,
        arrive_until=time.arrive_until,
        reason=offer.reason,
        near_anyway=offer.near_anyway,
        keeps_deadline=offer.keeps_deadline,
        starts_at=time.starts_at if to_staff else None,
        technician_id=time.technician if to_staff else None,
        extra_cost=offer.extra_cost if to_staff else None,
        slack_minutes=offer.slack_minutes if to_staff else None,
        because=offer.because if to_staff else None,
    )


def _suggestion(time: SuggestedTime) -> Suggestion:
    way = time.way
    return Suggestion(
        kind=way.kind,
        technician_id=time.technician,
        starts_at=time.starts_at,
        extra_cost=way.extra_cost,
        overtime_minutes=way.overtime_minutes,
        gives_way=way.gives_way,
        because=way.because,
    )
