"""Secrets and signatures of Standard Webhooks 1.0: HMAC-SHA256 over `id.timestamp.body`."""

from __future__ import annotations

import base64
import binascii
import hashlib
import hmac
import secrets

PREFIX = "whsec_"
SECRET_BYTES = 32
FEWEST_BYTES, MOST_BYTES = 24, 64


def new_secret() -> str:
    """A secret as it is shown: the prefix and 32 random bytes in base64."""
    return PREFIX + base64.b64encode(secrets.token_bytes(SECRET_BYTES)).decode()


def sign(secret: str, message_id: str, timestamp_s: int, body: bytes) -> str:
    """The value of the header `webhook-signature`.

    Parameters
    ----------
    secret : as it is shown
    message_id : without a full stop
    timestamp_s : whole seconds since 1970, as in the header `webhook-timestamp`
    body : the bytes that are sent

    Raises
    ------
    ValueError : no secret of 24 to 64 bytes
    """
    signed = f"{message_id}.{timestamp_s}.".encode() + body
    return "v1," + base64.b64encode(hmac.digest(_key(secret), signed, hashlib.sha256)).decode()


def _key(secret: str) -> bytes:
    try:
        key = base64.b64decode(secret.removeprefix(PREFIX), validate=True)
    except binascii.Error as error:
        raise ValueError("the secret is not base64") from error
    if not FEWEST_BYTES <= len(key) <= MOST_BYTES:
        raise ValueError(f"the secret has {len(key)} bytes; {FEWEST_BYTES} to {MOST_BYTES} are needed")
    return key
