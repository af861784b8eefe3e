"""Progress on standard error, only when that is a terminal."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import TracebackType

from rich.console import Console
from rich.progress import (
    BarColumn,
    DownloadColumn,
    MofNCompleteColumn,
    Progress,
    TextColumn,
    TimeRemainingColumn,
    TransferSpeedColumn,
)


class SendProgress:
    """A bar of bytes for a send run; a context manager.

    Parameters
    ----------
    shown : False shows nothing
    files : how many there are
    total_bytes : of all files
    """

    def __init__(self, *, shown: bool, files: int, total_bytes: int) -> None:
        self._files = files
        self._begun = 0
        self._done = 0
        self._bar = Progress(
            TextColumn("{task.description}"),
            BarColumn(),
            DownloadColumn(),
            TransferSpeedColumn(),
            TimeRemainingColumn(),
            console=Console(stderr=True),
            disable=not (shown and sys.stderr.isatty()),
            transient=True,
        )
        self._line = self._bar.add_task("sending", total=total_bytes)

    def __enter__(self) -> SendProgress:
        self._bar.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, traceback: TracebackType | None
    ) -> None:
        self._bar.stop()

    def begin(self, name: str) -> None:
        """Name the file that is next.

        Parameters
        ----------
        name : of the file
        """
        self._begun += 1
        self._bar.update(self._line, description=f"sending {self._begun} of {self._files}: {name}")

    def sent(self, count: int) -> None:
        """Add bytes of the present file.

        Parameters
        ----------
        count : further bytes
        """
        self._bar.update(self._line, advance=count)

    def end(self, size: int) -> None:
        """The present file is done, sent or not.

        Parameters
        ----------
        size : its bytes
        """
        self._done += size
        self._bar.update(self._line, completed=self._done)


@contextmanager
def measuring_progress(*, shown: bool, takes: int) -> Iterator[Callable[[object], None]]:
    """A bar of takes while they are measured; yields what is to be called for each that is final.

    Parameters
    ----------
    shown : False shows nothing
    takes : how many there are
    """
    with counted_progress("measuring", shown=shown, total=takes) as done:
        yield done


@contextmanager
def counted_progress(word: str, *, shown: bool, total: int) -> Iterator[Callable[[object], None]]:
    """A bar of things that are done one by one; yields what is to be called for each.

    Parameters
    ----------
    word : what is being done
    shown : False shows nothing
    total : how many there are
    """
    bar = Progress(
        TextColumn(word),
        BarColumn(),
        MofNCompleteColumn(),
        TimeRemainingColumn(),
        console=Console(stderr=True),
        disable=not (shown and sys.stderr.isatty()),
        transient=True,
    )
    line = bar.add_task(word, total=total)
    with bar:
        yield lambda one: bar.advance(line)
