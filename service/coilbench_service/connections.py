"""Connections as waitress keeps them, with three things of our own.

What it refuses itself, before the app sees it, is a problem like any other and not plain text. What it could not parse
without falling over is refused as well. Connections on which nothing happens are let go soon, so that holding many
open shuts nobody out.
"""

from __future__ import annotations

import errno
import select
from contextlib import suppress
from http import HTTPStatus
from typing import Any

from waitress.channel import HTTPChannel
from waitress.parser import HTTPRequestParser, ParsingError
from waitress.server import TcpWSGIServer
from waitress.task import ErrorTask
from waitress.utilities import Error

from coilbench_service import problem_kinds as kinds
from coilbench_service import upload
from coilbench_service.problems import MEDIA_TYPE, Problem, encode

ENVELOPE_BYTES = upload.ENVELOPE_BYTES + 1  # waitress refuses a body of the limit itself
IDLE_S = 30
STALLED_S = 120
"""Without a byte in the middle of a body, ours or theirs: a player that pauses, a disk that wakes."""
LOOKED_AFTER_EVERY_S = 10
SENT_AT_ONCE_BYTES = 256 * 1024
"""Read from a recording for each send; the socket's own buffer, megabytes on a loopback, would be held by each."""
MOST_CONNECTIONS = 1000
SELECT_CONNECTIONS = 400
"""Where there is no poll (Windows), select watches 512 sockets."""
POLL = hasattr(select, "poll")
FEWEST_CONNECTIONS = 32
_OTHER_FILES = 128
_FILES_A_CONNECTION = 2  # its socket, and the temporary file of a body on its way


NO_ROOM = frozenset({errno.ENOSPC, errno.EDQUOT})
"""Numbers of the errors of a disk or quota that is full."""


class NoRoom(Error):  # type: ignore[misc]
    """There is no room to collect a body in."""

    code = HTTPStatus.INSUFFICIENT_STORAGE.value
    reason = HTTPStatus.INSUFFICIENT_STORAGE.phrase


class ProblemTask(ErrorTask):  # type: ignore[misc]
    """Answers what waitress refuses with a problem."""

    def execute(self) -> None:
        """Write the answer."""
        error = self.request.error
        limits = self.channel.server.adj
        if error.code == kinds.TOO_LARGE.status:
            problem = upload.too_large(limits.max_request_body_size - ENVELOPE_BYTES)
        elif error.code == kinds.HEADERS_TOO_LARGE.status:
            detail = f"The request line and headers have more than {limits.max_request_header_size} bytes together."
            problem = Problem(kinds.HEADERS_TOO_LARGE, detail)
        elif error.code == kinds.UNKNOWN_TRANSFER_CODING.status:
            detail = "Transfer-Encoding names another coding than chunked."
            problem = Problem(kinds.UNKNOWN_TRANSFER_CODING, detail)
        elif error.code == NoRoom.code:
            problem = Problem(kinds.STORAGE_FULL, "The disk or quota through which bodies pass is full.")
        elif error.code < 500:
            problem = Problem(kinds.BROKEN_REQUEST, "The request line, a header or the body's framing is not HTTP.")
        else:
            problem = Problem(kinds.INTERNAL_ERROR, "The request was not finished; the server's log has the cause.")
        body = encode(problem.body())
        self.status = f"{error.code} {error.reason}"
        self.response_headers.append(("Content-Type", MEDIA_TYPE))
        self.set_close_on_finish()
        self.content_length = len(body)
        self.write(body)


class Parser(HTTPRequestParser):  # type: ignore[misc]
    """A parser that refuses what Python can't make a number or an address of, and what there is no room for, instead of
    dropping the connection.
    """

    def received(self, data: bytes) -> int:
        """Take in the next bytes of the connection; returns how many of them belong to this request."""
        try:
            taken: int = super().received(data)
        except OSError as error:
            if error.errno not in NO_ROOM:
                raise
            self.error = NoRoom(error.strerror)
            self.completed = True
            return len(data)
        return taken

    def close(self) -> None:
        """Let the body go, with what could not be written of it."""
        with suppress(OSError):
            super().close()

    def parse_header(self, header_plus: bytes) -> None:
        """Read request line and headers.

        Raises
        ------
        ParsingError : they can't be read
        """
        try:
            super().parse_header(header_plus)
        except ValueError as error:  # a Content-Length of thousands of digits, an address with half a bracket
            raise ParsingError(str(error)) from error


class Channel(HTTPChannel):  # type: ignore[misc]
    """One connection."""

    error_task_class = ProblemTask
    parser_class = Parser

    def __init__(self, *arguments: Any, **named: Any) -> None:
        super().__init__(*arguments, **named)
        self.sendbuf_len: int = min(int(vars(self)["sendbuf_len"]), SENT_AT_ONCE_BYTES)

    def idle(self) -> bool:
        """Whether nothing is being asked, answered or sent; half of a request's head is nothing yet."""
        sending = self.request is not None and self.request.headers_finished
        return not (self.requests or self.total_outbufs_len or sending)


class Listener(TcpWSGIServer):  # type: ignore[misc]
    """Listens, and looks after the connections there are."""

    channel_class = Channel

    def maintenance(self, now: float) -> None:
        """Close what has been idle for `IDLE_S`; in the middle of a body the server's `channel_timeout` counts.

        A request being worked on, such as one that waits for a take, is neither.

        Parameters
        ----------
        now : seconds since 1970
        """
        super().maintenance(now)
        for channel in self.active_channels.values():
            if channel.last_activity < now - IDLE_S and channel.idle():
                channel.will_close = True


def most_connections() -> int:
    """How many connections the process may hold with the files it may open, 1000 at most."""
    if not POLL:
        return SELECT_CONNECTIONS
    import resource  # not on Windows

    files, _ = resource.getrlimit(resource.RLIMIT_NOFILE)
    if files == resource.RLIM_INFINITY:
        return MOST_CONNECTIONS
    return max(FEWEST_CONNECTIONS, min(MOST_CONNECTIONS, (files - _OTHER_FILES) // _FILES_A_CONNECTION))
