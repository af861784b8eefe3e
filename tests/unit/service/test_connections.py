"""Connections: idle ones are let go, those with something on its way are not, and there are as many as files allow."""

from __future__ import annotations

import resource
import socket
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack, contextmanager
from typing import Any

import pytest
from waitress import wasyncore
from waitress.receiver import ChunkedReceiver

from coilbench_service import access_key
from coilbench_service import connections as served
from coilbench_service.connections import (
    IDLE_S,
    JUDGED_AFTER_S,
    ROOM_KEPT,
    STALLED_S,
    Limits,
    Parser,
    most_connections,
)
from coilbench_service.serving import Server
from services import wait_until

DEADLINE_S = 30
ASK = b"GET / HTTP/1.1\r\nHost: localhost\r\n\r\n"


class Listening:
    """A server whose loop the test turns by hand, so that no time has to pass."""

    def __init__(self, app: Callable[..., Iterable[bytes]], stack: ExitStack) -> None:
        self._stack = stack
        self.server = Server(app, "127.0.0.1", 0, 1_000_000)
        self.listener = self.server._server

    def turn(self, until: Callable[[], object], what: str) -> None:
        """Let the server do its rounds until it is so."""

        def so() -> object:
            wasyncore.loop(timeout=0.01, use_poll=True, map=self.listener._map, count=1)
            return until()

        wait_until(so, what, within_s=DEADLINE_S, every_s=0)

    def connected(self, sent: bytes) -> tuple[socket.socket, Any]:
        """A connection on which this was sent and taken; both ends."""
        before = set(self.listener.active_channels.values())
        ours = self._stack.enter_context(socket.create_connection(self.listener.socket.getsockname(), DEADLINE_S))
        ours.sendall(sent)
        self.turn(lambda: set(self.listener.active_channels.values()) - before, "the connection is there")
        (theirs,) = set(self.listener.active_channels.values()) - before
        if sent:
            self.turn(lambda: theirs.request or theirs.requests, "what was sent has arrived")
        return ours, theirs

    def close(self) -> None:
        """End everything."""
        self.listener.task_dispatcher.shutdown()
        wasyncore.close_all(self.listener._map)


@pytest.fixture
def hold() -> Iterator[threading.Event]:
    """Set, it lets the app answer."""
    event = threading.Event()
    yield event
    event.set()


@pytest.fixture
def listening(hold: threading.Event) -> Iterator[Listening]:
    """A server whose app answers when it may."""

    def app(_environ: Any, start: Any) -> list[bytes]:
        hold.wait(DEADLINE_S)
        start("200 OK", [("Content-Length", "2")])
        return [b"ok"]

    with ExitStack() as stack:
        made = Listening(app, stack)
        yield made
        hold.set()
        made.close()


@pytest.mark.parametrize("sent", [b"", ASK[:20]], ids=["silent", "half a head"])
def test_an_idle_connection_is_let_go(listening: Listening, sent: bytes) -> None:
    ours, theirs = listening.connected(sent)
    listening.listener.maintenance(theirs.last_activity + IDLE_S - 1)
    assert not theirs.will_close
    listening.listener.maintenance(theirs.last_activity + IDLE_S + 1)
    listening.turn(lambda: theirs not in listening.listener.active_channels.values(), "the connection is gone")
    assert ours.recv(1) == b""


def test_a_connection_is_kept_while_a_request_is_worked_on_and_let_go_after(
    listening: Listening, hold: threading.Event
) -> None:
    ours, theirs = listening.connected(ASK)
    listening.listener.maintenance(time.time() + 100 * STALLED_S)
    assert not theirs.will_close
    hold.set()
    listening.turn(lambda: not theirs.requests and not theirs.total_outbufs_len, "it is answered")
    assert ours.recv(1000).endswith(b"ok")
    listening.listener.maintenance(time.time() + IDLE_S + 1)
    assert theirs.will_close


def test_a_body_on_its_way_may_stall_for_longer_but_not_for_ever(listening: Listening) -> None:
    head = b"POST / HTTP/1.1\r\nHost: localhost\r\nContent-Length: 100\r\n\r\nhalf"
    _, theirs = listening.connected(head)
    listening.turn(lambda: theirs.request.headers_finished, "the head is read")
    listening.listener.maintenance(theirs.last_activity + STALLED_S - 1)
    assert not theirs.will_close
    listening.listener.maintenance(theirs.last_activity + STALLED_S + 1)
    assert theirs.will_close


def test_half_a_head_is_let_go_however_often_a_byte_is_added(listening: Listening) -> None:
    ours, theirs = listening.connected(ASK[:20])
    began = theirs.last_activity
    theirs.last_activity += IDLE_S  # as if bytes had come until now
    listening.listener.maintenance(began + IDLE_S + 1)
    listening.turn(lambda: theirs not in listening.listener.active_channels.values(), "the connection is gone")
    assert ours.recv(1) == b""


LARGE = 64 * 1024 * 1024
"""More than waits for a reader before the thread does."""


@contextmanager
def writing() -> Iterator[tuple[Listening, socket.socket, Any, threading.Event]]:
    """A server whose thread waits for the reader of a large answer; both ends, and whether the thread gave up."""
    given_up = threading.Event()

    def app(_environ: Any, start: Any) -> Iterator[bytes]:
        start("200 OK", [("Content-Length", str(LARGE))])
        try:
            for _ in range(LARGE // 65536):
                yield b"x" * 65536
        finally:
            given_up.set()

    with ExitStack() as stack:
        listening = Listening(app, stack)
        ours, theirs = listening.connected(ASK)
        high = listening.listener.adj.outbuf_high_watermark
        listening.turn(lambda: theirs.total_outbufs_len > high, "the thread waits for the reader")
        yield listening, ours, theirs, given_up
        stack.close()
        listening.turn(given_up.is_set, "the thread is free again")
        listening.close()


def test_an_answer_that_its_reader_does_not_take_holds_no_thread_for_ever() -> None:
    with writing() as (listening, _, theirs, given_up):
        listening.listener.maintenance(time.time())
        listening.listener.maintenance(time.time() + STALLED_S - 5)
        assert theirs.connected
        listening.listener.maintenance(time.time() + STALLED_S + 5)
        listening.turn(given_up.is_set, "the thread is free again")


def test_where_threads_are_short_an_answer_that_crawls_ends_soon() -> None:
    with writing() as (listening, ours, theirs, given_up):
        now = time.time()
        listening.listener.free_threads(now)
        listening.listener.free_threads(now + JUDGED_AFTER_S - 1)
        assert theirs.connected
        before = theirs._sent
        taken = 0
        while theirs._sent - before < served.SLOWEST_READER_BYTES_S * (JUDGED_AFTER_S + 1):
            taken += len(ours.recv(1 << 20))
            listening.turn(
                lambda: theirs.total_outbufs_len > listening.listener.adj.outbuf_high_watermark, "it goes on"
            )
        listening.listener.free_threads(now + JUDGED_AFTER_S + 1)
        assert theirs.connected, taken
        listening.listener.free_threads(now + 3 * JUDGED_AFTER_S)
        listening.turn(given_up.is_set, "the thread is free again")


def test_where_room_is_short_those_go_first_that_do_least(
    listening: Listening, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(served, "FRESH_S", 0.0)
    post = b"POST / HTTP/1.1\r\nHost: localhost\r\nContent-Length: 1000000\r\n\r\n"
    _, working = listening.connected(ASK)
    _, slow = listening.connected(post + b"x")
    _, silent = listening.connected(b"")
    _, half = listening.connected(ASK[:20])
    listening.turn(lambda: slow.request.headers_finished, "the head is read")
    slow._began -= 2 * JUDGED_AFTER_S
    gone = []
    for limit in (6, 5, 4, 3):  # the sockets of the listener itself are counted by waitress as well
        listening.listener.adj.connection_limit = limit + ROOM_KEPT - 1
        listening.turn(lambda limit=limit: len(listening.listener.active_channels) < limit - 1, "one is gone")  # type: ignore[misc]
        gone.append([each.connected for each in (working, slow, silent, half)])
        if len(gone) == 3:
            break
    assert gone == [[True, True, True, False], [True, True, False, False], [True, False, False, False]]


def test_a_crowd_is_taken_in_few_rounds(listening: Listening) -> None:
    with ExitStack() as stack:
        for _ in range(ROOM_KEPT):
            stack.enter_context(socket.create_connection(listening.listener.socket.getsockname(), DEADLINE_S))
        wasyncore.loop(timeout=DEADLINE_S, use_poll=True, map=listening.listener._map, count=1)
        assert len(listening.listener.active_channels) == ROOM_KEPT


def test_a_body_that_comes_as_fast_as_a_slow_line_carries_it_makes_no_room(listening: Listening) -> None:
    head = b"POST / HTTP/1.1\r\nHost: localhost\r\nContent-Length: 1000000\r\n\r\n"
    _, theirs = listening.connected(head + b"x" * 50_000)
    listening.turn(lambda: theirs.request.headers_finished, "the head is read")
    assert theirs.worth(theirs.last_activity + JUDGED_AFTER_S + 1) is None
    assert theirs.worth(theirs.last_activity + 100 * JUDGED_AFTER_S) is not None


HEAD = b"POST / HTTP/1.1\r\nHost: localhost\r\n"


def parsed(*pieces: bytes, keys_needed: bool = False) -> Parser:
    """What the parser makes of a request that comes in these pieces."""
    limits = Limits(max_request_body_size=10_000_000)
    limits.keys_needed = keys_needed
    parser = Parser(limits)
    for piece in pieces:
        while piece and not parser.completed:
            piece = piece[parser.received(piece) :]
    return parser


def refusal(parser: Parser) -> int | None:
    """Status with which the parser refuses what it was given; it is closed."""
    parser.close()
    return None if parser.error is None else int(parser.error.code)


@pytest.mark.parametrize("length", [b"Content-Length: 2000000", b"Transfer-Encoding: chunked"])
@pytest.mark.parametrize("shown", [b"", b"Authorization: Bearer none\r\n", b"Authorization: Basic bm9uZQ==\r\n"])
def test_where_keys_are_needed_a_large_body_without_one_is_not_taken(length: bytes, shown: bytes) -> None:
    head = HEAD + shown + length + b"\r\n\r\n"
    body = b"1E8480\r\n" + bytes(2_000_000) if b"chunked" in length else bytes(2_000_000)
    assert refusal(parsed(head, body, keys_needed=True)) == 401
    assert refusal(parsed(head, body)) is None
    key = f"Authorization: Bearer {access_key.make().text}\r\n".encode()
    assert refusal(parsed(HEAD + key + length + b"\r\n\r\n", body, keys_needed=True)) is None


@pytest.mark.parametrize(
    "fields",
    [
        b"Transfer-Encoding: chunked\r\nContent-Length: 4\r\n",
        b"Content-Length: 4\r\ntransfer-encoding:\r\n chunked\r\n",
        b"Transfer-Encoding: chunked\r\nTransfer-Encoding: chunked\r\n",
    ],
)
def test_a_length_that_is_said_in_two_ways_is_refused(fields: bytes) -> None:
    assert parsed(HEAD + fields + b"\r\n").error.code == 400


@pytest.mark.parametrize(
    ("body", "status"),
    [
        (b"2;" + b"y" * 100_000, 400),
        (b"2\r\n{}\r\n0\r\n" + b"X-Trailer: y\r\n" * 10_000, 400),
        (b"f" * 100 + b"\r\n", 413),
    ],
    ids=["a size without end", "trailers without end", "a size that can't come"],
)
def test_nothing_of_a_chunked_body_is_collected_without_end(body: bytes, status: int) -> None:
    parser = parsed(
        HEAD + b"Transfer-Encoding: chunked\r\n\r\n", *(body[at : at + 4096] for at in range(0, len(body), 4096))
    )
    assert parser.error.code == status


def test_of_a_body_of_tiny_chunks_little_is_copied_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    given: list[int] = []
    received = ChunkedReceiver.received

    def count(self: ChunkedReceiver, data: bytes) -> int:
        given.append(len(data))
        return int(received(self, data))

    monkeypatch.setattr(ChunkedReceiver, "received", count)
    parser = parsed(HEAD + b"Transfer-Encoding: chunked\r\n\r\n", b"1\r\nx\r\n" * 20_000 + b"0\r\n\r\n")
    assert (parser.error, parser.headers["CONTENT_LENGTH"]) == (None, "20000")
    assert max(given) <= served.CHUNKS_AT_ONCE_BYTES


@pytest.mark.parametrize(
    ("files", "connections"), [(64, 32), (256, 64), (1024, 448), (4096, 1000), (resource.RLIM_INFINITY, 1000)]
)
def test_there_are_as_many_connections_as_the_files_of_the_process_allow(
    monkeypatch: pytest.MonkeyPatch, files: int, connections: int
) -> None:
    monkeypatch.setattr(resource, "getrlimit", lambda _: (files, files))
    assert most_connections() == connections
