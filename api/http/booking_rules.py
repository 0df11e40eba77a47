"""The rules by which clients are offered times, hold and move them, and the company's rates."""

from typing import Annotated

from fastapi import APIRouter
from pydantic import BaseModel, ConfigDict, Field, model_validator

from api.actions.change_booking_rules import change_booking_rules
from api.http.conditions import IfMatch, show
from api.http.context import OfficeDeed, OfficeLook
from api.http.problems import documented
from api.http.wire import Given, from_row
from api.storage.booking_rules import booking_rules
from api.storage.column_types import MinorUnits

router = APIRouter(prefix="/v1/booking-rules", tags=["booking rules"])

Span = Annotated[int, Field(ge=1, le=1440)]
Notice = Annotated[int, Field(ge=0, le=20_160)]
Weight = Annotated[int, Field(ge=0, le=1440)]


class BookingRules(BaseModel):
    """All of them are in force from the next request on."""

    window_minutes: Span = Field(description="Width of the window in which somebody arrives.")
    step_minutes: Span = Field(
        description="Windows begin at multiples of it; no longer than a window."
    )
    offer_notice_minutes: Notice = Field(description="Nothing is offered sooner from now.")
    offers: Annotated[int, Field(ge=1, le=50)] = Field(description="Offers made at most.")
    offers_per_day: Annotated[int, Field(ge=1, le=50)] = Field(
        description="Offers made at most for one day."
    )
    later_day_minutes: Weight = Field(
        description="What each day of waiting counts, in minutes of travel equivalent."
    )
    near_minutes: Weight = Field(description="A detour up to this long is worth a discount.")
    dearest_minutes: Weight = Field(
        description="Detour above which a time is not offered to clients."
    )
    overtime_minutes: Annotated[int, Field(ge=0, le=480)] = Field(
        description="The most overtime suggested when nothing else keeps a deadline."
    )
    hold_minutes: Span = Field(description="How long a time is held.")
    holds_per_client: Annotated[int, Field(ge=1, le=100)] = Field(
        description="How many times a client may hold at once."
    )
    change_notice_minutes: Notice = Field(
        description="Until how long before it begins a client may move or cancel an appointment."
    )
    telephone: Annotated[str, Field(max_length=60, pattern=r"^[0-9+()/ .-]*$")] = Field(
        description="Told to portals when no offer keeps a deadline; empty: none."
    )
    call_out_minor: MinorUnits = Field(
        description="For a visit that no contract covers, in minor units of the currency."
    )
    hour_rate_minor: MinorUnits = Field(description="For an hour of such a visit.")


class NewBookingRules(Given, BookingRules):
    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "window_minutes": 120, "step_minutes": 30, "offer_notice_minutes": 60,
                    "offers": 6, "offers_per_day": 2, "later_day_minutes": 10, "near_minutes": 10,
                    "dearest_minutes": 120, "overtime_minutes": 90, "hold_minutes": 10,
                    "holds_per_client": 3, "change_notice_minutes": 120,
                    "telephone": "+47 5550 0100", "call_out_minor": 9000, "hour_rate_minor": 6500,
                }
            ]
        }
    )  # fmt: skip

    @model_validator(mode="after")
    def step_fits_into_the_window(self) -> "NewBookingRules":
        if self.step_minutes > self.window_minutes:
            raise ValueError(
                f"step_minutes {self.step_minutes} is longer than "
                f"window_minutes {self.window_minutes}"
            )
        return self


class KeptBookingRules(BookingRules):
    version: int = Field(description="The ETag is this number with a v before it.")


@router.get("", responses=documented())
def get_booking_rules(look: OfficeLook) -> KeptBookingRules:
    """Return the rules that are in force."""
    row = booking_rules(look.session)
    show(look.request, look.response, row)
    return from_row(KeptBookingRules, row)


@router.put("", responses=documented(400, 412, 413, 428))
def replace_booking_rules(
    body: NewBookingRules, deed: OfficeDeed, version: IfMatch
) -> KeptBookingRules:
    """Replace the rules; the next offer, hold or price goes by the new ones."""
    row = change_booking_rules(
        deed.database, body.model_dump(), if_version=version, now=deed.now, origin=deed.origin
    )
    return from_row(KeptBookingRules, deed.changed(row))
