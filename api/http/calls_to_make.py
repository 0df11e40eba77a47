"""Whom a dispatcher has to telephone, since no calendar reaches them in time."""

from datetime import datetime

from fastapi import APIRouter
from pydantic import BaseModel, Field

from api.http.context import Now, OfficeLook
from api.http.problems import documented
from api.storage.unread import calls_to_make

router = APIRouter(prefix="/v1/calls-to-make", tags=["feed links"])


class CallToMake(BaseModel):
    """An urgent visit to come whose technician's calendar no device has fetched for a day."""

    say: str = Field(examples=["telephone Inga Voss, +47 …: no device has fetched their calendar"])
    technician_id: str
    name: str
    phone: str
    last_fetched_at: datetime | None = Field(description="None: by no device in use, ever.")
    appointment_id: str
    visit_id: str
    site: str
    starts_at: datetime


class CallsToMake(BaseModel):
    """Who has to be told by telephone, the soonest visit first."""

    items: list[CallToMake]


@router.get("", responses=documented())
def list_calls_to_make(look: OfficeLook, now: Now) -> CallsToMake:
    """List urgent visits to come that no calendar tells their technician of in time.

    An entry leaves when a device of theirs fetches the calendar, or when the visit begins.
    """
    return CallsToMake(
        items=[
            CallToMake(
                say=call.whom.sentence,
                technician_id=call.whom.technician,
                name=call.whom.name,
                phone=call.whom.phone,
                last_fetched_at=call.whom.last_fetched_at,
                appointment_id=call.appointment,
                visit_id=call.visit,
                site=call.site,
                starts_at=call.starts_at,
            )
            for call in calls_to_make(look.session, now=now)
        ]
    )
