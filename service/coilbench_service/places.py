"""Places for costly work: so many at once, so many who may wait for one, and no longer than so long.

Who waits holds a thread of the service; without a bound all of them could stand here.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager


class NoPlace(Exception):
    """No place became free in time, or too many wait already."""


class Places:
    """Places that threads take for a while.

    Parameters
    ----------
    at_once : how many work at a time
    waiting : how many more may wait
    within_s : how long one waits, s
    """

    def __init__(self, at_once: int, waiting: int, within_s: float) -> None:
        self._asking = threading.BoundedSemaphore(at_once + waiting)
        self._working = threading.BoundedSemaphore(at_once)
        self._within_s = within_s

    @contextmanager
    def taken(self) -> Iterator[None]:
        """Hold a place.

        Raises
        ------
        NoPlace : at once where too many wait, else after `within_s`
        """
        if not self._asking.acquire(blocking=False):
            raise NoPlace
        try:
            if not self._working.acquire(timeout=self._within_s):
                raise NoPlace
            try:
                yield
            finally:
                self._working.release()
        finally:
            self._asking.release()
