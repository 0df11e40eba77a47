"""Messages are believed by the verifier that the Standard Webhooks project itself publishes.

Its specification 1.0.0 asks for secrets of 24 to 64 octets behind ``whsec_``, and has receivers
refuse what was sent more than five minutes away from their own clock.
"""

import base64
from datetime import UTC, datetime, timedelta

import pytest
from standardwebhooks import Webhook, WebhookVerificationError

from api.outbox.retrying import WAITS
from api.outbox.signing import SECRET_PREFIX, mint_secret, signed_headers
from api.storage.events import message

PAYLOAD = {"visit": "vi_1", "site": "café", "appointment": "ap_1", "state": "planned"}


def now() -> datetime:
    return datetime.now(UTC)  # what the verifier goes by


def body() -> bytes:
    return message("ev_1", "appointment.planned", datetime(2027, 3, 1, tzinfo=UTC), PAYLOAD)


def test_the_verifier_believes_either_secret_while_one_replaces_the_other() -> None:
    old, new = mint_secret(), mint_secret()
    headers = dict(signed_headers("ev_1", body(), [new, old], at=now()))

    for secret in (old, new):
        event = Webhook(secret).verify(body(), headers)
        assert (event["type"], event["data"]) == ("appointment.planned", PAYLOAD)
    with pytest.raises(WebhookVerificationError):
        Webhook(mint_secret()).verify(body(), headers)


@pytest.mark.parametrize("off", [timedelta(minutes=-6), timedelta(minutes=6)])
def test_the_verifier_refuses_what_is_out_of_time(off: timedelta) -> None:
    secret = mint_secret()
    headers = dict(signed_headers("ev_1", body(), [secret], at=now() + off))
    with pytest.raises(WebhookVerificationError):
        Webhook(secret).verify(body(), headers)


def test_the_verifier_refuses_a_message_that_was_changed() -> None:
    secret = mint_secret()
    headers = dict(signed_headers("ev_1", body(), [secret], at=now()))
    for changed, text in (
        (headers, body().replace(b"planned", b"done")),
        (headers | {"webhook-id": "ev_2"}, body()),
    ):
        with pytest.raises(WebhookVerificationError):
            Webhook(secret).verify(text, changed)


def test_secrets_are_as_long_as_the_specification_asks() -> None:
    secrets = {mint_secret() for _ in range(50)}
    assert len(secrets) == 50
    for secret in secrets:
        assert secret.startswith(SECRET_PREFIX)
        assert 24 <= len(base64.b64decode(secret.removeprefix(SECRET_PREFIX))) <= 64


def test_retries_end_after_the_time_of_the_specifications_example() -> None:
    # immediately, 5 s, 5 min, 30 min, 2 h, 5 h, 10 h, 14 h, 20 h, 24 h
    assert sum(WAITS, timedelta()) == timedelta(hours=75, minutes=35, seconds=5)
