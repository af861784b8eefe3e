"""Looking at several things side by side, without waiting for one that hangs."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Mapping
from typing import Generic, TypeVar

T = TypeVar("T")


class Lookout(Generic[T]):
    """Looks, each in a thread of its own, as long as the patience lasts.

    A look that hangs goes on in its thread, and until it ends nobody begins another at the same thing: there is one
    thread for each thing, however often is asked. One caller at a time.

    Parameters
    ----------
    within_s : patience for all looks together, s
    """

    def __init__(self, within_s: float) -> None:
        self.within_s = within_s
        self._under_way: dict[str, _Look[T]] = {}

    def see(self, looks: Mapping[str, Callable[[], T]]) -> dict[str, T | None]:
        """What each look came to, by its name; None where it hangs. A look must not raise."""
        for name, look in looks.items():
            if name not in self._under_way:
                self._under_way[name] = _Look(name, look)
        end = time.monotonic() + self.within_s
        seen: dict[str, T | None] = {}
        for name in looks:
            seen[name] = self._under_way[name].result(end)
            if not self._under_way[name].thread.is_alive():
                del self._under_way[name]
        return seen


class _Look(Generic[T]):
    def __init__(self, name: str, look: Callable[[], T]) -> None:
        self._seen: T | None = None
        self._look = look
        self.thread = threading.Thread(target=self._run, name=f"look at {name}", daemon=True)
        self.thread.start()

    def result(self, end: float) -> T | None:
        self.thread.join(max(0.0, end - time.monotonic()))
        return self._seen

    def _run(self) -> None:
        self._seen = self._look()
