"""Signatures, by the verifier of the specification's authors and by the vector of their libraries."""

from __future__ import annotations

import base64
import time

import pytest
from standardwebhooks.webhooks import Webhook, WebhookVerificationError

from coilbench_worker.callbacks.signature import PREFIX, new_secret, sign

BODY = '{"type":"take.measured","data":{"label":"ü"}}'.encode()


def headers(secret: str, body: bytes, *, timestamp_s: int | None = None) -> dict[str, str]:
    moment = int(time.time()) if timestamp_s is None else timestamp_s
    return {
        "webhook-id": "m-1",
        "webhook-timestamp": str(moment),
        "webhook-signature": sign(secret, "m-1", moment, body),
    }


def test_signatures_are_those_of_the_specification() -> None:
    secret = new_secret()
    assert Webhook(secret).verify(BODY, headers(secret, BODY))["type"] == "take.measured"


def test_the_vector_of_the_reference_libraries_is_met() -> None:
    # github.com/standard-webhooks/standard-webhooks, libraries: the message that each of them is tested with.
    signature = sign(
        "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw",
        "msg_p5jXN8AQM9LWM0D4loKWxJek",
        1614265330,
        b'{"test": 2432232314}',
    )
    assert signature == "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE="


@pytest.mark.parametrize("part", ["body", "webhook-id", "webhook-timestamp", "secret"])
def test_nothing_can_be_changed_under_a_signature(part: str) -> None:
    secret = new_secret()
    sent, body = headers(secret, BODY), BODY
    if part == "body":
        body = BODY.replace(b"measured", b"rejected")
    elif part == "secret":
        secret = new_secret()
    else:
        sent[part] = sent[part][:-1] + ("2" if sent[part][-1] != "2" else "3")
    with pytest.raises(WebhookVerificationError):
        Webhook(secret).verify(body, sent)


def test_an_old_message_is_not_good_for_ever() -> None:
    secret = new_secret()
    with pytest.raises(WebhookVerificationError, match="too old"):
        Webhook(secret).verify(BODY, headers(secret, BODY, timestamp_s=int(time.time()) - 600))


def test_secrets_are_long_random_and_of_the_specified_form() -> None:
    secrets = {new_secret() for _ in range(50)}
    assert len(secrets) == 50
    for secret in secrets:
        assert secret.startswith(PREFIX)
        assert 24 <= len(base64.b64decode(secret.removeprefix(PREFIX), validate=True)) <= 64


@pytest.mark.parametrize("secret", ["whsec_", "whsec_c2hvcnQ=", "whsec_not base64", PREFIX + "A" * 88])
def test_other_secrets_are_refused(secret: str) -> None:
    with pytest.raises(ValueError, match="the secret"):
        sign(secret, "m-1", 1, BODY)
