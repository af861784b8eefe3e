"""A TCP proxy on the loopback address before any server, with the faults that a network has.

It is one thread with an event loop. A switch holds for connections that are open as well as for new ones; `passing`
mends everything but the connections that a fault has ended.
"""

from __future__ import annotations

import asyncio
import socket
import struct
import threading
from collections.abc import Coroutine
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Any, Self

BLOCK = 16 * 1024
WITHIN_S = 10.0
SLICE_S = 0.05
"""How finely a slow connection is dosed."""


@dataclass(frozen=True)
class Fault:
    """What happens to what passes.

    Parameters
    ----------
    reset_up, reset_down : bytes of one connection to the server, or from it, after which both its ends are reset
    orderly : the ends are closed instead, and what has passed arrives; a reset takes away what was not read yet
    stalls_up, stalls_down : bytes of one connection after which nothing passes in that direction
    bytes_per_s : at which both directions pass
    status : HTTP status that is answered to each request in place of the server
    """

    reset_up: int | None = None
    reset_down: int | None = None
    orderly: bool = False
    stalls_up: int | None = None
    stalls_down: int | None = None
    bytes_per_s: float | None = None
    status: int | None = None

    def left(self, up: bool, passed: int) -> int:
        """Bytes that may still pass in this direction."""
        limits = (self.reset_up, self.stalls_up) if up else (self.reset_down, self.stalls_down)
        return min([limit - passed for limit in limits if limit is not None], default=BLOCK)

    def resets(self, up: bool, passed: int) -> bool:
        """Whether the connection is to be reset now."""
        limit = self.reset_up if up else self.reset_down
        return limit is not None and passed >= limit


NONE = Fault()


@dataclass(eq=False)
class _Connection:
    """One client and its way to the server; bytes are counted from the last switch on."""

    writers: list[asyncio.StreamWriter]
    passed: dict[bool, int] = field(default_factory=lambda: {True: 0, False: 0})

    def end(self, fault: Fault) -> None:
        """End both connections as the fault has it."""
        if not fault.orderly:
            return self.reset()
        for writer in self.writers:
            writer.close()
        return None

    def reset(self) -> None:
        """End both connections with a reset rather than an orderly end."""
        for writer in self.writers:
            raw: socket.socket | None = writer.get_extra_info("socket")
            if raw is not None:
                with suppress(OSError):
                    raw.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
            writer.transport.abort()


class FaultProxy:
    """The proxy before one port of this machine; used as a context."""

    def __init__(self, server_port: int) -> None:
        self._server_port = server_port
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever, name="fault proxy", daemon=True)
        self._listener: asyncio.Server | None = None
        self._connections: set[_Connection] = set()
        self._tasks: set[asyncio.Task[Any]] = set()
        self._fault = NONE
        self._switched = asyncio.Event()
        self.port = 0
        self.accepted = 0
        """Connections accepted since the last switch."""
        self.answered = 0
        """Requests answered in place of the server since the last switch."""

    @property
    def url(self) -> str:
        """Address for HTTP."""
        return f"http://127.0.0.1:{self.port}"

    def __enter__(self) -> Self:
        self._thread.start()
        self._run(self._listen())
        return self

    def __exit__(self, *_: object) -> None:
        self._run(self._end())
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join()
        self._loop.close()

    def passing(self) -> None:
        """Let everything pass."""
        self._run(self._switch(NONE))

    def refuse(self) -> None:
        """Refuse connections, as if nobody listened there, and reset those that are open."""
        self._run(self._refuse())

    def cut(self, *, after_up: int | None = None, after_down: int | None = None, orderly: bool = False) -> None:
        """Reset each connection after so many bytes to the server, or from it; or close it, so that they arrive."""
        self._run(self._switch(Fault(reset_up=after_up, reset_down=after_down, orderly=orderly)))

    def stall(self, *, after_up: int = 0, after_down: int = 0) -> None:
        """Hold connections and pass nothing, after so many bytes to the server and from it."""
        self._run(self._switch(Fault(stalls_up=after_up, stalls_down=after_down)))

    def slow(self, bytes_per_s: float) -> None:
        """Pass both directions of each connection at this speed."""
        self._run(self._switch(Fault(bytes_per_s=bytes_per_s)))

    def answer(self, status: int) -> None:
        """Answer HTTP requests with this status in place of the server."""
        self._run(self._switch(Fault(status=status), reset=True))

    def _run(self, act: Coroutine[Any, Any, None]) -> None:
        asyncio.run_coroutine_threadsafe(act, self._loop).result(WITHIN_S)

    async def _listen(self) -> None:
        self._listener = await asyncio.start_server(self._accepted, "127.0.0.1", self.port, backlog=256)
        self.port = self._listener.sockets[0].getsockname()[1]

    async def _switch(self, fault: Fault, *, reset: bool = False) -> None:
        self._fault = fault
        self.accepted = self.answered = 0
        for connection in list(self._connections):
            connection.passed = {True: 0, False: 0}
            if reset:
                connection.reset()
        self._switched.set()
        self._switched = asyncio.Event()
        if self._listener is None:
            await self._listen()

    async def _refuse(self) -> None:
        await self._switch(NONE, reset=True)
        if self._listener is not None:
            self._listener.close()
            self._listener = None

    async def _end(self) -> None:
        await self._refuse()
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)

    async def _accepted(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        self._tasks.add(task)
        self.accepted += 1
        connection = _Connection([writer])
        self._connections.add(connection)
        try:
            if self._fault.status is not None:
                await self._answer(reader, writer)
            else:
                await self._carry(connection, reader, writer)
        except (OSError, asyncio.IncompleteReadError):
            connection.reset()
        except asyncio.CancelledError:
            connection.reset()
        finally:
            self._connections.discard(connection)
            self._tasks.discard(task)
            for end in connection.writers:
                end.close()

    async def _answer(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.readuntil(b"\r\n\r\n")
        self.answered += 1
        writer.write(f"HTTP/1.1 {self._fault.status} Fault\r\nContent-Length: 0\r\nConnection: close\r\n\r\n".encode())
        await writer.drain()
        writer.write_eof()
        while await reader.read(BLOCK):  # a reset would take the answer away from one who still sends
            pass

    async def _carry(self, connection: _Connection, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        from_server, to_server = await asyncio.open_connection("127.0.0.1", self._server_port)
        connection.writers.append(to_server)
        ways = [
            asyncio.ensure_future(self._pump(connection, reader, to_server, up=True)),
            asyncio.ensure_future(self._pump(connection, from_server, writer, up=False)),
        ]
        try:
            await asyncio.gather(*ways)
        finally:
            for way in ways:
                way.cancel()
            await asyncio.gather(*ways, return_exceptions=True)

    async def _pump(
        self, connection: _Connection, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, *, up: bool
    ) -> None:
        while True:
            block = await reader.read(BLOCK)
            if not block:
                with suppress(OSError):
                    writer.write_eof()
                return
            while block:
                fault, switched = self._fault, self._switched
                if fault.resets(up, connection.passed[up]):
                    connection.end(fault)
                    return
                most = max(fault.left(up, connection.passed[up]), 0)
                if not most:
                    await switched.wait()
                    continue
                if fault.bytes_per_s is not None:
                    most = max(int(fault.bytes_per_s * SLICE_S), 1)
                    with suppress(TimeoutError):
                        await asyncio.wait_for(switched.wait(), SLICE_S)
                piece, block = block[:most], block[most:]
                connection.passed[up] += len(piece)
                writer.write(piece)
                await writer.drain()
            if self._fault.resets(up, connection.passed[up]):
                connection.end(self._fault)
                return
