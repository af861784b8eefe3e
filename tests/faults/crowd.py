"""Many connections that one attacker holds, each in the same bad way; those that are closed on him he makes anew."""

from __future__ import annotations

import selectors
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass

from faults.target import Target
from services import wait_until

SMALL_BUFFER_BYTES = 4096
HELD_WITHIN_S = 240.0


@dataclass(frozen=True)
class Manner:
    """How the connections of a crowd behave.

    Attributes
    ----------
    first : sent at once
    then : sent each second
    reads : whether answers are taken
    """

    first: bytes
    then: bytes = b""
    reads: bool = True


class Crowd:
    """The connections.

    Attributes
    ----------
    made : connections in all, those made anew counted
    ticks : seconds in which each was given its next bytes
    answers : what came, of those that were answered and closed
    """

    def __init__(self, target: Target, manners: list[Manner], count: int, *, again: bool = True) -> None:
        self._target = target
        self._manners = manners
        self._count = count
        self._again = again
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._work)
        self._selector = selectors.DefaultSelector()
        self.made = 0
        self.ticks = 0
        self.answers: list[bytes] = []

    @property
    def open(self) -> int:
        """How many are connected now."""
        return len(self._selector.get_map())

    def start(self) -> None:
        """Begin to connect."""
        self._thread.start()

    def finish(self) -> None:
        """Close all."""
        self._over.set()
        self._thread.join()

    def wait(self, ticks: int) -> None:
        """Wait until all were made and given bytes so many times more."""
        wait_until(lambda: self.made >= self._count, f"{self._count} connections", HELD_WITHIN_S)
        until = self.ticks + ticks
        wait_until(lambda: self.ticks >= until, f"{ticks} rounds of {self._count} connections", HELD_WITHIN_S)

    def _work(self) -> None:
        for at in range(self._count):
            if self._over.is_set():
                break
            self._connect(self._manners[at % len(self._manners)])
            if at % 64 == 63:
                self._read(0.0)
        while not self._over.is_set():
            self._read(1.0)
            for key in list(self._selector.get_map().values()):
                self._give(key)
            self.ticks += 1
        for key in list(self._selector.get_map().values()):
            key.fileobj.close()  # type: ignore[union-attr]
        self._selector.close()

    def _connect(self, manner: Manner) -> None:
        try:
            made = self._target.connect(receive_bytes=None if manner.reads else SMALL_BUFFER_BYTES)
        except OSError:
            return
        made.setblocking(False)
        self.made += 1
        with suppress(OSError):
            made.send(manner.first)
        self._selector.register(made, selectors.EVENT_READ, (manner, bytearray()))

    def _read(self, within_s: float) -> None:
        """Take what came, for so long; what is closed is let go."""
        for key, _ in self._selector.select(within_s):
            manner, came = key.data
            if not manner.reads:
                continue
            try:
                piece = key.fileobj.recv(65536)  # type: ignore[union-attr]
            except BlockingIOError:
                continue
            except OSError:
                piece = b""
            came += piece
            if not piece:
                self._gone(key)
        if any(not manner.reads for manner in self._manners):
            self._over.wait(within_s)  # what is never read is always ready

    def _give(self, key: selectors.SelectorKey) -> None:
        manner, _ = key.data
        if not manner.then:
            return
        try:
            key.fileobj.send(manner.then)  # type: ignore[union-attr]
        except BlockingIOError:
            return
        except OSError:
            self._gone(key)

    def _gone(self, key: selectors.SelectorKey) -> None:
        manner, came = key.data
        self._selector.unregister(key.fileobj)
        key.fileobj.close()  # type: ignore[union-attr]
        self.answers.append(bytes(came))
        if self._again and not self._over.is_set():
            self._connect(manner)


@contextmanager
def held(target: Target, manners: list[Manner], count: int, *, again: bool = True) -> Iterator[Crowd]:
    """So many connections during the block."""
    crowd = Crowd(target, manners, count, again=again)
    crowd.start()
    try:
        yield crowd
    finally:
        crowd.finish()
