"""The host names the service answers to, and the addresses it listens on.

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


class NoAddress(Exception):
    """What should be listened on is no address; the message says how one is written."""


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


def require_address(listen: str) -> tuple[str, int]:
    """Host and port to listen on.

    Raises
    ------
    NoAddress : it is none
    """
    try:
        return split_listen(listen)
    except ValueError as error:
        raise NoAddress(str(error)) from error


def require_our_host(call: Request, allowed: Iterable[str], *, numbers: bool = False, any_origin: bool = False) -> None:
    """Turn away a request meant for another host, or sent by a page of another site.

    Parameters
    ----------
    numbers : answer to any IP address: of a service on a network, which may have several. None of them can be pointed
        at another machine, as a name can
    any_origin : the origin was looked at already, and may ask (cors.py)

    Raises
    ------
    Problem : host-not-allowed (421, RFC 9110 section 15.5.20), foreign-origin (403)
    """
    sent = call.environ.get("HTTP_HOST", "")
    host = _parts(f"//{sent}").hostname or ""
    ours = host in LOOPBACK_NAMES or host in {name.lower() for name in allowed} or (numbers and _is_number(host))
    if not ours:
        raise Problem(
            kinds.HOST_NOT_ALLOWED, f"The Host header says {sent!r:.100}, which is not a name of this service."
        )
    origin = call.headers.get("Origin")
    if origin is not None and not any_origin and not is_our_origin(origin, call):
        raise Problem(kinds.FOREIGN_ORIGIN, f"The request comes from a page of {origin!r:.100}.")


def is_our_origin(origin: str, call: Request) -> bool:
    """Whether an Origin header names the host and port that the request was sent to."""
    sent: str = call.environ.get("HTTP_HOST", "")
    return (_parts(origin).netloc.lower() if origin != "null" else "") == sent.lower()


def _is_number(host: str) -> bool:
    try:
        ipaddress.ip_address(host)
    except ValueError:
        return False
    return True


def _parts(address: str) -> SplitResult:
    """The parts of an address as sent; all empty when it is none, such as http://[ without the other bracket."""
    try:
        return urlsplit(address)
    except ValueError:
        return urlsplit("")
