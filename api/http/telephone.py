"""How many people it takes to answer the telephone that takes callbacks."""

from typing import Annotated

from fastapi import APIRouter, Query
from pydantic import BaseModel, Field

from api.http.context import OfficeLook
from api.http.problems import documented
from api.http.wire import from_row
from scheduler.telephone import fewest_people, staffing

router = APIRouter(prefix="/v1", tags=["callbacks"])


class TelephoneStaffing(BaseModel):
    """How the telephone is answered by so many people."""

    people: int
    within_seconds: float = Field(description="The seconds asked for.")
    waiting_share: float = Field(description="Callers who have to wait at all.")
    mean_wait_seconds: float = Field(description="Over all callers.")
    answered_in_time: float = Field(description="Share answered `within_seconds`.")
    busy_share: float = Field(description="How much of their time people talk.")
    because: str


@router.get("/telephone-staffing", responses=documented())
def get_telephone_staffing(
    look: OfficeLook,
    calls_per_hour: Annotated[
        float, Query(gt=0, le=10_000, description="In the busiest hour, all calls.")
    ],
    minutes_per_call: Annotated[
        float, Query(gt=0, le=240, description="Talking and writing down.")
    ],
    answered_within_seconds: Annotated[float, Query(ge=0, le=3600)] = 20,
    share: Annotated[
        float, Query(ge=0, lt=1, description="Of callers to be answered in time.")
    ] = 0.8,
    people: Annotated[
        int | None, Query(ge=1, le=1000, description="Instead of the fewest who keep the share.")
    ] = None,
) -> TelephoneStaffing:
    """Say how many people the telephone needs, or how so many answer it (Erlang C).

    Callers come by chance and do not give up; those who do make the true waits shorter.
    """
    if people is None:
        found = fewest_people(
            calls_per_hour=calls_per_hour,
            minutes_per_call=minutes_per_call,
            within_seconds=answered_within_seconds,
            share=share,
        )
    else:
        found = staffing(
            people,
            calls_per_hour=calls_per_hour,
            minutes_per_call=minutes_per_call,
            within_seconds=answered_within_seconds,
        )
    return from_row(TelephoneStaffing, found)
