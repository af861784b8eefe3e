"""Signing in with a browser: a key is shown once, and a random token in a cookie stands for it for some hours.

Of the token the database has the SHA-256 and no more. Scripts can't read the cookie, no other site's page can have it
sent (SameSite=Strict), and a request that would change something must come from a page of ours besides. A sign-in ends
with its key: whoever asks is admitted by the key as it is at that moment.
"""

from __future__ import annotations

import hashlib
import secrets
from datetime import timedelta

from flask import Request, Response, g
from sqlalchemy import Connection

from coilbench_service import access_key
from coilbench_service import problem_kinds as kinds
from coilbench_service.cross_site import SAFE
from coilbench_service.hosts import is_our_origin
from coilbench_service.problems import Problem
from coilbench_worker.store import keys, sign_ins
from coilbench_worker.store.database import Database
from coilbench_worker.store.instants import now
from coilbench_worker.store.keys import KeyRecord

COOKIE = "coilbench"
LASTS = timedelta(hours=12)
_TOKEN_BYTES = 32
_MOST_CHARACTERS = 200


def begin(database: Database, key_text: str) -> str | None:
    """A token that stands for the key from now on; None when the key opens nothing.

    Parameters
    ----------
    key_text : as its owner pasted it
    """
    instant = now()
    key = access_key.parse(key_text.strip())
    with database.read() as connection:
        record = None if key is None else keys.get(connection, key.id)
    right = key is not None and access_key.same(key.secret, None if record is None else record.secret_sha256)
    if record is None or not right or not record.good(instant):
        return None
    token = secrets.token_urlsafe(_TOKEN_BYTES)
    with database.write() as connection:
        sign_ins.forget_before(connection, instant)
        sign_ins.enter(connection, _sha256(token), record.id, instant + LASTS)
    return token


def key_of(connection: Connection, call: Request) -> KeyRecord | None:
    """The key with which the browser that asks has signed in; None when it has not. The key may have ended.

    Raises
    ------
    Problem : foreign-origin (403), of a request that would change something and is not known to come from our page
    """
    token = _token(call)
    key_id = None if token is None else sign_ins.key_of(connection, _sha256(token), now())
    record = None if key_id is None else keys.get(connection, key_id)
    if record is not None:
        _require_our_own_page(call)
        g.signed_in = True
    return record


def end(database: Database, call: Request) -> None:
    """Forget the sign-in of the browser that asks, if it has one."""
    token = _token(call)
    if token is not None:
        with database.write() as connection:
            sign_ins.remove(connection, _sha256(token))


def give(response: Response, call: Request, token: str) -> None:
    """Put the token into the browser's cookie; over https the browser sends it over https only."""
    _set(response, call, token, round(LASTS.total_seconds()))


def take_back(response: Response, call: Request) -> None:
    """Have the browser forget the cookie."""
    _set(response, call, "", 0)


def _set(response: Response, call: Request, token: str, max_age_s: int) -> None:
    response.set_cookie(
        _name(call), token, max_age=max_age_s, path="/", secure=call.is_secure, httponly=True, samesite="Strict"
    )


def _name(call: Request) -> str:
    """With the prefix browsers take no such cookie from another host or from plain http (RFC 6265bis, 4.1.3.2)."""
    return f"__Host-{COOKIE}" if call.is_secure else COOKIE


def _token(call: Request) -> str | None:
    token = call.cookies.get(_name(call), "")
    return token if 0 < len(token) <= _MOST_CHARACTERS else None


def _sha256(token: str) -> str:
    return hashlib.sha256(token.encode()).hexdigest()


def _require_our_own_page(call: Request) -> None:
    """Cookies go with a request whoever caused it, so the browser must say that a page of ours did."""
    if call.method in SAFE:
        return
    site, origin = call.headers.get("Sec-Fetch-Site", "").strip().lower(), call.headers.get("Origin")
    if site == "same-origin" or (not site and origin is not None and is_our_origin(origin, call)):
        return
    raise Problem(
        kinds.FOREIGN_ORIGIN,
        "The browser does not say that a page of this service sent this (Sec-Fetch-Site, Origin), and a sign-in "
        "changes things from its pages only.",
        advice="Use the service's own pages; a program sends the access key itself: Authorization: Bearer KEY.",
    )
