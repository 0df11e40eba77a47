"""What programs of clients receive, described in the webhooks section of the OpenAPI document."""

from typing import Annotated

from fastapi import APIRouter, Header

from api.storage.events import TOPICS, Message

_WEBHOOK_ID = Header(description="Names the event: the same whenever it is sent again.")
_WEBHOOK_TIMESTAMP = Header(description="When it was sent, in seconds since 1970.")
_WEBHOOK_SIGNATURE = Header(
    description="One or more of `v1,` and the base64 of HMAC-SHA256 over "
    "`webhook-id.webhook-timestamp.body`, parted by blanks (Standard Webhooks). The key is what "
    "follows `whsec_` in the secret, decoded from base64."
)


def describe_events(webhooks: APIRouter) -> None:
    """Add a description of every message; nobody calls these routes."""
    for name, topic in TOPICS.items():
        body = Message[topic.payload]  # type: ignore[name-defined]

        def receive(
            message: body,
            webhook_id: Annotated[str, _WEBHOOK_ID],
            webhook_timestamp: Annotated[str, _WEBHOOK_TIMESTAMP],
            webhook_signature: Annotated[str, _WEBHOOK_SIGNATURE],
        ) -> None: ...

        webhooks.add_api_route(
            name,
            receive,
            methods=["POST"],
            operation_id=f"receive_{name.replace('.', '_')}",
            summary=name,
            description=topic.says,
            status_code=204,
            response_description="Received, as by any 2xx within 20 seconds.",
            responses={
                410: {"description": "Nobody listens here any more: the endpoint is disabled."},
                429: {"description": "Too much at once: sent again after `Retry-After`."},
            },
            tags=["webhooks"],
        )
