"""Connections as waitress keeps them, with four things of our own.

What it refuses itself, before the app sees it, is a problem like any other and not plain text. What it could not parse
without falling over is refused as well. Connections on which nothing happens are let go soon, and where there are too
many, those that do least make room: holding many open shuts nobody out. An answer that its reader does not take is
let go as well, because it may hold a thread.
"""

from __future__ import annotations

import errno
import re
import select
import time
from contextlib import suppress
from http import HTTPStatus
from typing import Any

import structlog
from waitress.adjustments import Adjustments
from waitress.channel import HTTPChannel
from waitress.parser import HTTPRequestParser, ParsingError
from waitress.receiver import ChunkedReceiver
from waitress.server import TcpWSGIServer
from waitress.task import ErrorTask
from waitress.utilities import BadRequest, Error, RequestEntityTooLarge

from coilbench_service import access_key, upload
from coilbench_service import problem_kinds as kinds
from coilbench_service.problems import MEDIA_TYPE, Problem, encode

ENVELOPE_BYTES = upload.ENVELOPE_BYTES + 1  # waitress refuses a body of the limit itself
KEYLESS_BYTES = 1 << 20
"""Of a body that comes without a key, where keys are needed."""
CHALLENGE = 'Bearer realm="coilbench"'
IDLE_S = 30
STALLED_S = 120
"""Without a byte in the middle of a body, ours or theirs: a player that pauses, a disk that wakes."""
FRESH_S = 1.0
"""A connection on which nothing came yet is left alone for so long: its request is on the way."""
PRESSED_AFTER_S = 3.0
"""Where room is short, what was slow for so long makes some."""
JUDGED_AFTER_S = 10.0
SLOWEST_BYTES_S = 1000
"""A body that comes more slowly on average goes first where room is short."""
SLOWEST_READER_BYTES_S = 64 * 1024
"""While all threads are taken: who takes an answer more slowly that a thread is writing has it no longer."""
ROOM_KEPT = 16
"""Connections that can always be taken: as many as come while others are being closed."""
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
CHUNKS_AT_ONCE_BYTES = 4096
MOST_OF_A_CHUNK_LINE_BYTES = 1024
MOST_OF_TRAILERS_BYTES = 64 * 1024
_TRANSFER_ENCODING = re.compile(rb"\r\ntransfer-encoding:", re.IGNORECASE)
_log = structlog.get_logger(__name__)


class NoRoom(Error):  # type: ignore[misc]
    """There is no room to collect a body in."""

    code = HTTPStatus.INSUFFICIENT_STORAGE.value
    reason = HTTPStatus.INSUFFICIENT_STORAGE.phrase


class NoKey(Error):  # type: ignore[misc]
    """A large body that comes without anything like a key, where keys are needed."""

    code = HTTPStatus.UNAUTHORIZED.value
    reason = HTTPStatus.UNAUTHORIZED.phrase


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
        elif error.code == NoKey.code:
            problem = Problem(kinds.KEY_MISSING, "A large body came without an access key, and was not read.")
            self.response_headers.append(("WWW-Authenticate", CHALLENGE))
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

    completed: bool = False
    path = ""  # for the log of waitress, of what could not be parsed

    def received(self, data: bytes) -> int:
        """Take in the next bytes of the connection; returns how many of them belong to this request."""
        taken = 0
        try:
            while taken < len(data) and not self.completed:
                # What reads chunks copies all it was given for each of them: a body of tiny ones would stop the loop.
                piece = data[taken : taken + CHUNKS_AT_ONCE_BYTES] if self.chunked else data[taken:]
                taken += super().received(piece)
                if self.chunked and not self.completed:
                    self._bound_chunks(self.body_rcv)
                if self.adj.keys_needed:
                    self._require_key()
        except OSError as error:
            if error.errno not in NO_ROOM:
                raise
            self.error = NoRoom(error.strerror)
            self.completed = True
            return len(data)
        return taken

    def _require_key(self) -> None:
        """Refuse a large body with nothing like a key before it fills the disk; whether a key is good, the app sees."""
        coming = self.body_bytes_received if self.chunked else self.content_length
        if coming <= KEYLESS_BYTES or "COOKIE" in self.headers:
            return
        _, _, shown = self.headers.get("AUTHORIZATION", "").strip().partition(" ")
        if access_key.parse(shown.strip()) is None:
            self.error = NoKey("no access key")
            self.completed = True

    def _bound_chunks(self, body: ChunkedReceiver) -> None:
        """Refuse what waitress would collect in memory without end, and a chunk that could never come."""
        if len(body.control_line) > MOST_OF_A_CHUNK_LINE_BYTES or len(body.trailer) > MOST_OF_TRAILERS_BYTES:
            self.error = BadRequest("the size of a chunk, or what follows the last, has no end")
            self.completed = True
        elif body.chunk_remainder > self.adj.max_request_body_size:
            self.error = RequestEntityTooLarge(f"exceeds max_body of {self.adj.max_request_body_size}")
            self.completed = True

    def close(self) -> None:
        """Let the body go, with what could not be written of it."""
        with suppress(OSError):
            super().close()

    def parse_header(self, header_plus: bytes) -> None:
        """Read request line and headers.

        Two ways to say how long the body is, or one said twice, are refused: what stands before us may have read the
        other one, and taken the rest for the request of somebody else (RFC 9112 sections 6.1 and 11.2).

        Raises
        ------
        ParsingError : they can't be read
        """
        try:
            super().parse_header(header_plus)
        except ValueError as error:  # a Content-Length of thousands of digits, an address with half a bracket
            raise ParsingError(str(error)) from error
        if self.chunked and "CONTENT_LENGTH" in self.headers:
            raise ParsingError("Transfer-Encoding and Content-Length")
        if len(_TRANSFER_ENCODING.findall(header_plus)) > 1:
            raise ParsingError("Transfer-Encoding is there twice")


class Channel(HTTPChannel):  # type: ignore[misc]
    """One connection."""

    error_task_class = ProblemTask
    parser_class = Parser

    def __init__(self, *arguments: Any, **named: Any) -> None:
        super().__init__(*arguments, **named)
        self.sendbuf_len: int = min(int(vars(self)["sendbuf_len"]), SENT_AT_ONCE_BYTES)
        self._began: float = self.last_activity
        self._received = 0
        self._sent = 0
        self._moved: tuple[float, float] | None = None
        self._looked: tuple[float, int] | None = None

    def received(self, data: bytes) -> bool:
        """Take in what came."""
        if self.request is None:
            self._began, self._received = time.time(), 0
        self._received += len(data)
        taken: bool = super().received(data)
        return taken

    def send(self, data: bytes, do_close: bool = True) -> int:
        """Send what can be sent now; returns how many bytes that was."""
        sent = int(super().send(data, do_close=do_close))
        self._sent += sent
        return sent

    def readable(self) -> bool:
        """Whether to look for what comes."""
        return bool(self.connected and super().readable())

    def writable(self) -> bool:
        """Whether to look for room for what is to be sent."""
        return bool(self.connected and super().writable())

    def let_go(self) -> None:
        """Close the connection; at once where waitress would wait until its reader takes something."""
        if self.total_outbufs_len:
            self.handle_close()
        else:
            self.will_close = True

    def idle_since(self) -> float | None:
        """Since when nothing is asked, answered or sent, seconds since 1970; None while something is.

        Half of a request's head is nothing yet, however often a byte is added to it.
        """
        if self.requests or self.total_outbufs_len:
            return None
        if self.request is None:
            return float(self.last_activity)
        return None if self.request.headers_finished else self._began

    def untaken_s(self, now: float) -> float:
        """For how long nothing of an answer could be sent, s, as far as was looked: the first look begins the count."""
        if not self.total_outbufs_len:
            self._moved = None
            return 0.0
        if self._moved is None or self._moved[0] != self.last_activity:
            self._moved = float(self.last_activity), now
        return now - self._moved[1]

    def crawls(self, now: float) -> bool:
        """Whether a thread waits for the reader, who takes little; he is given `JUDGED_AFTER_S` from the first look."""
        if not self.requests or self.total_outbufs_len <= self.adj.outbuf_high_watermark:
            self._looked = None
            return False
        since, sent = self._looked or (now, self._sent)
        if self._looked is not None and now - since < JUDGED_AFTER_S:
            return False
        first, self._looked = self._looked is None, (now, self._sent)
        return not first and self._sent - sent < SLOWEST_READER_BYTES_S * (now - since)

    def worth(self, now: float) -> tuple[int, float] | None:
        """What sorts before that of others that do more; None: it is not to make room for anybody."""
        idle_since = self.idle_since()
        if idle_since is not None:
            if self.request is not None:
                return 0, idle_since
            return (1, idle_since) if now - idle_since > FRESH_S else None
        if self.untaken_s(now) > PRESSED_AFTER_S:
            return 3, self._moved[1] if self._moved else now
        taken_s = now - self._began
        if self.requests or self.total_outbufs_len or taken_s < PRESSED_AFTER_S:
            return None
        rate = self._received / taken_s
        return (2, rate) if rate < SLOWEST_BYTES_S else None


class Limits(Adjustments):  # type: ignore[misc]
    """What waitress is told, and whether keys are needed."""

    keys_needed = False


class Listener(TcpWSGIServer):  # type: ignore[misc]
    """Listens, and looks after the connections there are."""

    channel_class = Channel
    _let_go = 0
    _look_at = 0.0

    def readable(self) -> bool:
        """Whether more connections are taken; where room or threads are short those that do least are let go."""
        now = time.time()
        if self.task_dispatcher.queue and now >= self._look_at:
            self._look_at = now + 1.0
            self.free_threads(now)
        over = len(self._map) + ROOM_KEPT - self.adj.connection_limit
        if over > 0:
            self._make_room(over, now)
        ready: bool = super().readable()
        return ready

    def maintenance(self, now: float) -> None:
        """Close what has been idle for `IDLE_S`; in the middle of a body or an answer `STALLED_S` counts.

        A request being worked on, such as one that waits for a take, is neither.

        Parameters
        ----------
        now : seconds since 1970
        """
        super().maintenance(now)
        for channel in list(self.active_channels.values()):
            idle_since = channel.idle_since()
            if (idle_since is not None and idle_since < now - IDLE_S) or channel.untaken_s(now) > STALLED_S:
                channel.let_go()
        if self._let_go:
            _log.warning("connections that did little were let go to make room", number=self._let_go)
            self._let_go = 0

    def handle_accept(self) -> None:
        """Take as many as there is room for at once: one for each round of the loop lets a crowd shut others out."""
        for _ in range(ROOM_KEPT):
            before = len(self._map)
            super().handle_accept()
            if len(self._map) == before:
                return

    def free_threads(self, now: float) -> None:
        """End answers that crawl to their readers while others wait for a thread."""
        for channel in list(self.active_channels.values()):
            if channel.crawls(now):
                channel.let_go()
                self._let_go += 1

    def _make_room(self, number: int, now: float) -> None:
        closing = sum(channel.will_close for channel in self.active_channels.values())
        found = [
            (worth, channel)
            for channel in self.active_channels.values()
            if not channel.will_close and (worth := channel.worth(now)) is not None
        ]
        for _, channel in sorted(found, key=lambda pair: pair[0])[: max(0, number - closing)]:
            channel.let_go()
            self._let_go += 1


def most_connections() -> int:
    """How many connections the process may hold with the files it may open, 1000 at most."""
    if not POLL:
        return SELECT_CONNECTIONS
    import resource  # not on Windows

    files, _ = resource.getrlimit(resource.RLIMIT_NOFILE)
    if files == resource.RLIM_INFINITY:
        return MOST_CONNECTIONS
    return max(FEWEST_CONNECTIONS, min(MOST_CONNECTIONS, (files - _OTHER_FILES) // _FILES_A_CONNECTION))
