"""One POST to an address that was looked at before: no proxy, no redirect, no name looked up, and an end in time."""

from __future__ import annotations

import io
import socket
import ssl
import time
from collections.abc import Mapping
from dataclasses import dataclass
from http.client import HTTPException, HTTPResponse
from typing import Any, Literal

from coilbench_worker.callbacks.address import Destination, Resolved
from coilbench_worker.callbacks.reach import IPAddress

TIMEOUT_S = 15.0
MOST_ANSWER_BYTES = 8192


class NoAnswer(Exception):
    """There was none, or it was not HTTP; the message says so in one sentence."""


@dataclass(frozen=True)
class Answer:
    """What came back. `excerpt` is the begin of the body where the status is not 2xx: for the log, and nobody else."""

    status: int
    excerpt: str


def post(
    resolved: Resolved,
    headers: Mapping[str, str],
    body: bytes,
    *,
    timeout_s: float = TIMEOUT_S,
    context: ssl.SSLContext | None = None,
) -> Answer:
    """Send `body` to the first of the addresses that takes a connection.

    Parameters
    ----------
    headers : further ones; names and values are ours and printable ASCII
    timeout_s : for everything together, s
    context : of TLS; by default certificates are held against the authorities that the system trusts, and the name

    Raises
    ------
    NoAnswer : no connection, no TLS, no HTTP, or not in time
    """
    end = time.monotonic() + timeout_s
    destination = resolved.destination
    try:
        with _connected(resolved, end, context) as connection:
            connection.settimeout(_left_s(end))
            connection.sendall(_head(destination, headers, len(body)) + body)
            answer = HTTPResponse(_InTime(connection, end), method="POST")  # type: ignore[arg-type]
            try:
                answer.begin()
                return Answer(answer.status, "" if answer.status < 300 else _excerpt(answer))
            finally:
                answer.close()
    except TimeoutError as error:
        raise NoAnswer(f"There was no answer within {timeout_s:g} s.") from error
    except ssl.SSLCertVerificationError as error:
        raise NoAnswer("The certificate was not accepted.") from error
    except ssl.SSLError as error:
        raise NoAnswer("There was no TLS connection.") from error
    except HTTPException as error:  # before OSError: an end without an answer is both
        raise NoAnswer("What answered did not speak HTTP, or hung up.") from error
    except OSError as error:
        raise NoAnswer("There was no connection, or it broke off.") from error


def _connected(resolved: Resolved, end: float, context: ssl.SSLContext | None) -> socket.socket:
    *first, last = resolved.addresses
    for address in first:
        try:
            return _connect(resolved.destination, address, end, context)
        except ssl.SSLError:
            raise
        except OSError:
            continue
    return _connect(resolved.destination, last, end, context)


def _connect(destination: Destination, address: IPAddress, end: float, context: ssl.SSLContext | None) -> socket.socket:
    family = socket.AF_INET if address.version == 4 else socket.AF_INET6
    plain = socket.socket(family, socket.SOCK_STREAM)
    try:
        plain.settimeout(_left_s(end))
        plain.connect((str(address), destination.port))
        if destination.scheme == "http":
            return plain
        plain.settimeout(_left_s(end))
        context = context or ssl.create_default_context()
        return context.wrap_socket(plain, server_hostname=destination.host)
    except BaseException:
        plain.close()
        raise


def _head(destination: Destination, headers: Mapping[str, str], length: int) -> bytes:
    lines = [
        f"POST {destination.target} HTTP/1.1",
        f"Host: {destination.authority}",
        *(f"{name}: {value}" for name, value in headers.items()),
        f"Content-Length: {length}",
        "Connection: close",
    ]
    return "".join(f"{line}\r\n" for line in [*lines, ""]).encode("ascii")


def _excerpt(answer: HTTPResponse) -> str:
    try:
        return answer.read(MOST_ANSWER_BYTES).decode("utf-8", "replace")
    except (OSError, HTTPException, ValueError):
        return ""


def _left_s(end: float) -> float:
    left_s = end - time.monotonic()
    if left_s <= 0:
        raise TimeoutError("the time is up")
    return left_s


class _InTime(io.RawIOBase):
    """What a connection receives until the end; a limit on each read alone would let it trickle for ever."""

    def __init__(self, connection: socket.socket, end: float) -> None:
        super().__init__()
        self._connection = connection
        self._end = end

    def makefile(self, _mode: Literal["rb"]) -> io.BufferedReader:
        """What `HTTPResponse` asks of a socket."""
        return io.BufferedReader(self)

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: Any) -> int:
        self._connection.settimeout(_left_s(self._end))
        return self._connection.recv_into(buffer)
