"""Excerpts that were cut lately, kept for whoever asks again (a player asks for a sound range by range), and the places
of the processes that cut them.
"""

from __future__ import annotations

import shutil
import tempfile
import threading
import time
from collections import OrderedDict
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import BinaryIO

PLACES = 2
"""Excerpts cut at a time: each takes a process of its own, and memory of that."""
MOST_WAITING = 8
"""Requests that wait for a place, and keep as many threads of the server from others."""
PLACE_WITHIN_S = 10.0
"""An excerpt is cut in half a second; who waits longer for his turn is told to come back."""
KEPT_FOR_S = 900.0
"""However often they are asked for: of a take that was deleted at another process nothing stays here for long."""
MOST_BYTES = 128 << 20
"""Half an hour at 48 kHz. The longest excerpt at the highest rate has 35 MB."""


class NoPlace(Exception):
    """As many excerpts as may be are being cut, and others wait already or this one has waited long enough."""


class ExcerptShelf:
    """Excerpts by name in a folder of this process, the longest unused thrown away first.

    Parameters
    ----------
    places : excerpts cut at a time
    most_bytes : kept; the newest is, whatever its size
    kept_for_s : from when it was cut
    """

    def __init__(self, places: int = PLACES, most_bytes: int = MOST_BYTES, kept_for_s: float = KEPT_FOR_S) -> None:
        self._places = places
        self._most_bytes = most_bytes
        self._kept_for_s = kept_for_s
        self._cut_at: dict[str, float] = {}
        self._tidying: threading.Timer | None = None
        self._turn = threading.Condition()
        self._sizes: OrderedDict[str, int] = OrderedDict()
        self._cutting: set[str] = set()
        self._waiting = 0
        self._folder: Path | None = None

    def open(self, name: str, cut: Callable[[Path], None]) -> BinaryIO:
        """The excerpt, at its beginning; whoever asks for the same at once waits for the one who cuts it.

        Parameters
        ----------
        name : of letters and digits; says all that the bytes depend on, and begins with the recording's SHA-256
        cut : writes the excerpt to a path; what it raises passes through

        Raises
        ------
        NoPlace
        """
        with self._turn:
            found = self._kept_or_claimed(name)
            path = self._path(name)
        if found is not None:
            return found
        try:
            path.parent.mkdir(exist_ok=True)
            cut(path)
            file = path.open("rb")
            with self._turn:
                self._keep(name, path.stat().st_size)
            return file
        except BaseException:
            path.unlink(missing_ok=True)
            raise
        finally:
            with self._turn:
                self._cutting.discard(name)
                self._turn.notify_all()

    def forget(self, sha256: str) -> None:
        """Throw away what was cut of a recording."""
        with self._turn:
            self._throw_away([name for name in self._sizes if name.startswith(sha256)])

    def close(self) -> None:
        """Throw everything away."""
        with self._turn:
            if self._tidying is not None:
                self._tidying.cancel()
                self._tidying = None
            self._sizes.clear()
            self._cut_at.clear()
            if self._folder is not None:
                shutil.rmtree(self._folder, ignore_errors=True)
                self._folder = None

    def _kept_or_claimed(self, name: str) -> BinaryIO | None:
        """The excerpt if it is there, after the wait for another that cuts it; None: it is the caller's to cut."""
        until = time.monotonic() + PLACE_WITHIN_S
        while (found := self._kept(name)) is None:
            if name not in self._cutting and len(self._cutting) < self._places:
                self._cutting.add(name)
                return None
            left_s = until - time.monotonic()
            if left_s <= 0 or self._waiting >= MOST_WAITING:
                raise NoPlace
            self._waiting += 1
            try:
                self._turn.wait(left_s)
            finally:
                self._waiting -= 1
        return found

    def _kept(self, name: str) -> BinaryIO | None:
        if name not in self._sizes:
            return None
        try:
            file = self._path(name).open("rb")
        except FileNotFoundError:  # something tidied up the system's temporary files
            self._throw_away([name])
            return None
        self._sizes.move_to_end(name)
        return file

    def _keep(self, name: str, size: int) -> None:
        self._sizes[name] = size
        self._cut_at[name] = time.monotonic()
        while sum(self._sizes.values()) > self._most_bytes and len(self._sizes) > 1:
            self._throw_away([next(iter(self._sizes))])
        if self._tidying is None:
            self._tidy_later()

    def _throw_away(self, names: list[str]) -> None:
        for name in names:
            self._sizes.pop(name, None)
            self._cut_at.pop(name, None)
            with suppress(OSError):  # Windows deletes no file that is being read; the folder goes at the end
                self._path(name).unlink()

    def _tidy_later(self) -> None:
        self._tidying = threading.Timer(self._kept_for_s, self._tidy)
        self._tidying.daemon = True
        self._tidying.start()

    def _tidy(self) -> None:
        with self._turn:
            if self._tidying is None:  # closed meanwhile
                return
            before = time.monotonic() - self._kept_for_s
            self._throw_away([name for name, cut_at in self._cut_at.items() if cut_at <= before])
            self._tidying = None
            if self._sizes:
                self._tidy_later()

    def _path(self, name: str) -> Path:
        if self._folder is None:
            self._folder = Path(tempfile.mkdtemp(prefix="coilbench-excerpts-"))
        return self._folder / f"{name}.wav"
