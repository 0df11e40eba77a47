"""What clients are told of: the topics, and what an event of each of them says.

Events say which record changed and when things happen, in ids and instants. Names, texts, prices
and who comes are left out: whoever may see them looks them up. Within a version of the payloads
fields are added, never taken away or given another meaning.
"""

import json
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Annotated, Any, Generic, TypeVar

from pydantic import BaseModel, ConfigDict, Field

from api.storage.column_types import Instant
from scheduler.company import Urgency
from scheduler.lifecycle import AppointmentState

PAYLOAD_VERSION = 1

_Id = Annotated[str, Field(max_length=64)]


class Payload(BaseModel):
    """What every event says: the visit it concerns. Events of one visit are sent in order."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    visit: _Id = Field(description="The visit that answers the callback or does the work.")
    site: _Id


class CallbackPayload(Payload):
    """A callback."""

    callback: _Id
    machine: _Id
    tag: str = Field(max_length=200, description="The tag on the machine.")
    state: str = Field(max_length=20, description="open, done or cancelled.")
    urgency: Urgency
    respond_by: Instant | None = Field(description="Until when somebody is there.")
    awaits_price: bool = Field(
        default=False, description="No contract covers it: accept its price, then book."
    )


class AppointmentPayload(Payload):
    """An appointment as it stands after the change."""

    appointment: _Id
    state: AppointmentState
    starts_at: Instant
    ends_at: Instant
    arrive_from: Instant | None = Field(
        default=None, description="The window that was promised, if one was."
    )
    arrive_until: Instant | None = None


class WorksheetPayload(Payload):
    """What became of the worksheet of a visit."""

    appointment: _Id
    tasks_done: int = Field(ge=0)
    tasks_left: int = Field(ge=0, description="Not done; they stay due.")
    parts_replaced: int = Field(ge=0, description="Beyond what the tasks replace.")


class StandstillPayload(Payload):
    """A machine that was stopped and made safe."""

    visit: _Id | None = Field(  # type: ignore[assignment]  # an examination is no visit of ours
        description="The visit at which it was; null when a failed examination stopped it."
    )
    machine: _Id
    tag: str = Field(max_length=200, description="The tag on the machine.")
    standstill: _Id
    began_at: Instant
    ended_at: Instant | None = Field(description="Null while it stands still.")
    set_points: list[_Id] = Field(description="What was read beyond its limits this time.")


About = TypeVar("About", bound=Payload)


class Topic(BaseModel):
    """A kind of event."""

    model_config = ConfigDict(frozen=True)

    says: str
    payload: type[Payload]


TOPICS: Mapping[str, Topic] = {
    "callback.taken": Topic(
        says="A fault was reported, or more was said about one that is open.",
        payload=CallbackPayload,
    ),
    "callback.price_accepted": Topic(
        says="The price of work that no contract covers was accepted.", payload=CallbackPayload
    ),
    "callback.done": Topic(says="A reported fault was seen to.", payload=CallbackPayload),
    "callback.cancelled": Topic(
        says="A callback was withdrawn; nobody comes for it.", payload=CallbackPayload
    ),
    "appointment.planned": Topic(
        says="A visit has a time; it may still move.", payload=AppointmentPayload
    ),
    "appointment.promised": Topic(
        says="A time was promised: no plan moves it any more.", payload=AppointmentPayload
    ),
    "appointment.moved": Topic(
        says="An appointment has another time, or somebody else comes.", payload=AppointmentPayload
    ),
    "appointment.promise_broken": Topic(
        says="A promised time cannot be kept. The appointment has another, which nobody promised.",
        payload=AppointmentPayload,
    ),
    "appointment.under_way": Topic(says="The work has begun.", payload=AppointmentPayload),
    "appointment.done": Topic(says="The work was reported done.", payload=AppointmentPayload),
    "appointment.no_access": Topic(
        says="Nobody could be let in; the visit has to be planned again.",
        payload=AppointmentPayload,
    ),
    "appointment.cancelled": Topic(
        says="An appointment was called off.", payload=AppointmentPayload
    ),
    "machine.stopped": Topic(
        says="A value beyond its safe limit was read, or an examination was not passed: the "
        "machine is out of service and must not be used.",
        payload=StandstillPayload,
    ),
    "machine.in_service": Topic(
        says="A machine that was stopped may be used again.", payload=StandstillPayload
    ),
    "worksheet.reported": Topic(
        says="The technician reported what was done at a visit.", payload=WorksheetPayload
    ),
}


class Message(BaseModel, Generic[About]):
    """The body of every message, as receivers may rely on it."""

    id: str = Field(description="Names the event; the same as the header `webhook-id`.")
    type: str = Field(description="The topic.", examples=["appointment.promised"])
    version: int = Field(description="The version of the payload.")
    timestamp: datetime = Field(description="When it happened.")
    data: About


def checked_payload(topic: str, payload: Mapping[str, Any]) -> dict[str, Any]:
    """Return a payload as it is stored; a topic or field nobody has described is a mistake.

    Raises
    ------
    KeyError
        When there is no such topic.
    pydantic.ValidationError
        When the payload is not what the topic says.
    """
    return TOPICS[topic].payload.model_validate(payload).model_dump(mode="json")


def message(event: str, topic: str, created_at: datetime, payload: Mapping[str, Any]) -> bytes:
    """Return the body of a message, the same bytes whenever it is sent."""
    body = {
        "id": event,
        "type": topic,
        "version": PAYLOAD_VERSION,
        "timestamp": f"{created_at.astimezone(UTC):%Y-%m-%dT%H:%M:%SZ}",
        "data": payload,
    }
    return json.dumps(body, separators=(",", ":")).encode()
