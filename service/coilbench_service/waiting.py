"""`Prefer: wait=N` (RFC 7240): an answer held until the take is final, without starving those who don't wait."""

from __future__ import annotations

import re
import threading
import time
from collections.abc import Callable
from typing import TypeVar

MAX_WAIT_S = 60
_FIRST_PAUSE_S, _LONGEST_PAUSE_S = 0.02, 0.25

Seen = TypeVar("Seen")


def wait_asked(prefer: str | None) -> int | None:
    """The seconds of the first `wait` in a Prefer header, at most MAX_WAIT_S; None when none, or it makes no sense."""
    for preference in (prefer or "").split(","):
        name, _, value = preference.split(";")[0].partition("=")
        if name.strip().lower() == "wait":
            digits = value.strip().strip('"')
            return min(int(digits), MAX_WAIT_S) if re.fullmatch(r"[0-9]{1,9}", digits) else None
    return None


class Waiters:
    """At most `places` requests wait at a time; the rest are answered at once, as RFC 7240 allows.

    Parameters
    ----------
    places : fewer than the threads of the server, so that others are served while these wait
    """

    def __init__(self, places: int) -> None:
        self._places = threading.BoundedSemaphore(places)
        self._closing = threading.Event()

    def close(self) -> None:
        """Let every waiter go: the service is ending."""
        self._closing.set()

    def until(self, done: Callable[[Seen], bool], look: Callable[[], Seen], wait_s: int) -> tuple[Seen, bool]:
        """Look again and again until it is done or the time is up.

        Parameters
        ----------
        done : says whether what was seen is final
        look : gets the present state; may raise
        wait_s : seconds to wait at most

        Returns
        -------
        tuple : what was seen last, and whether the wait was granted
        """
        if not self._places.acquire(blocking=False):
            return look(), False
        try:
            deadline = time.monotonic() + wait_s
            pause_s = _FIRST_PAUSE_S
            while True:
                seen = look()
                left_s = deadline - time.monotonic()
                if done(seen) or left_s <= 0 or self._closing.wait(min(pause_s, left_s)):
                    return seen, True
                pause_s = min(pause_s * 1.5, _LONGEST_PAUSE_S)
        finally:
            self._places.release()
