"""Who may ask: the host names the service answers to, and the addresses it may listen on.

A page on the internet can point its own host name at 127.0.0.1 (DNS rebinding) and then read what answers there; so a
request whose Host header is not ours is turned away, and so is one that a page of another site sent (Origin).
"""

from __future__ import annotations

import ipaddress
from collections.abc import Iterable
from urllib.parse import SplitResult, urlsplit

from flask import Request

from coilbench_service import problem_kinds as kinds
from coilbench_service.problems import Problem

LOOPBACK_NAMES = ("localhost", "127.0.0.1", "::1")


class Unguarded(Exception):
    """The address can't be listened on: it is open to others, and there are no keys to keep them out."""


def split_listen(listen: str) -> tuple[str, int]:
    """Host and port of a text such as 127.0.0.1:8080 or [::1]:0.

    Raises
    ------
    ValueError : no port, or not one from 0 to 65535
    """
    parts = urlsplit(f"//{listen}")
    host, port = parts.hostname, parts.port  # .port raises ValueError past 65535
    if not host or port is None or parts.path or parts.username:
        raise ValueError(f"{listen!r} is not an address to listen on; write it as 127.0.0.1:8080")
    return host, port


def is_loopback(host: str) -> bool:
    """Whether an address reaches this machine only."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def require_guarded(listen: str) -> tuple[str, int]:
    """Host and port to listen on, when that is allowed.

    Raises
    ------
    Unguarded : not an address, or not a loopback one; others would need keys, which this version can't make yet
    """
    try:
        host, port = split_listen(listen)
    except ValueError as error:
        raise Unguarded(str(error)) from error
    if not is_loopback(host):
        raise Unguarded(
            f"Refusing to listen on {listen}: anybody who reaches that address could read and delete takes, and keys, "
            "which would keep them out, are not built yet. Listen on this machine only: COILBENCH_LISTEN=127.0.0.1:8080"
        )
    return host, port


def require_our_host(call: Request, allowed: Iterable[str]) -> None:
    """Turn away a request meant for another host, or sent by a page of another site.

    Raises
    ------
    Problem : host-not-allowed (421, RFC 9110 section 15.5.20), foreign-origin (403)
    """
    sent = call.environ.get("HTTP_HOST", "")
    host = _parts(f"//{sent}").hostname or ""
    if host not in LOOPBACK_NAMES and host not in {name.lower() for name in allowed}:
        raise Problem(
            kinds.HOST_NOT_ALLOWED, f"The Host header says {sent!r:.100}, which is not a name of this service."
        )
    origin = call.headers.get("Origin")
    if origin is not None and (_parts(origin).netloc.lower() if origin != "null" else "") != sent.lower():
        raise Problem(kinds.FOREIGN_ORIGIN, f"The request comes from a page of {origin!r:.100}.")


def _parts(address: str) -> SplitResult:
    """The parts of an address as sent; all empty when it is none, such as http://[ without the other bracket."""
    try:
        return urlsplit(address)
    except ValueError:
        return urlsplit("")
