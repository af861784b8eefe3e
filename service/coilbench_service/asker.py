"""Who asks, as far as a request has been looked at: `g.asker`, set before any route (admission.py)."""

from __future__ import annotations

from dataclasses import dataclass

from flask import g, has_request_context

READ, WRITE, ADMIN = "read", "write", "admin"
SCOPES = (READ, WRITE, ADMIN)
"""Each includes those before it."""


@dataclass(frozen=True)
class Asker:
    """Who asks and what for.

    Attributes
    ----------
    key_id : of the key, None where none is needed
    name : for people and the log
    scopes : what may be done, with all that is included
    requests_per_minute, upload_bytes_per_day : limits that hold, of the key or else of the settings; None: none
    """

    key_id: str | None
    name: str
    scopes: frozenset[str]
    requests_per_minute: int | None
    upload_bytes_per_day: int | None


THIS_MACHINE = Asker(None, "this machine", frozenset(SCOPES), None, None)
"""Whoever reaches a service that listens on this machine only and needs no keys."""


def with_included(scopes: tuple[str, ...]) -> frozenset[str]:
    """The scopes that a key has, with those they include; words that are no scope give nothing."""
    highest = max((SCOPES.index(scope) for scope in scopes if scope in SCOPES), default=-1)
    return frozenset(SCOPES[: highest + 1])


def present() -> Asker | None:
    """Who asks in the request being answered; None outside of one, and before its key was looked at."""
    asker: Asker | None = g.get("asker") if has_request_context() else None
    return asker
