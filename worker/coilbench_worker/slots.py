"""Where measuring processes put their numbers: two small files for each slot of the pool, in a folder of the worker.

A slot has one process at a time, and the next one there counts on where it ended. So however many processes come and
go, there are two files for each, whole from the start: a full disk can't break a process that writes a number.

The worker holds a lock in its folder. What one left behind that was killed is cleared away by the next, which finds
the lock free.
"""

from __future__ import annotations

import os
import shutil
import sys
import tempfile
import threading
from contextlib import suppress
from pathlib import Path

from prometheus_client import values
from prometheus_client.multiprocess import MultiProcessCollector
from prometheus_client.registry import Collector

if sys.platform != "win32":  # there, what a killed worker left stays until somebody empties the folder
    import fcntl

PREFIX = "coilbench-numbers-"
KINDS = ("counter", "histogram")
FILE_BYTES = 1 << 16
"""As prometheus_client makes them; several times what is counted here."""
_FOLDER_VARIABLE = "PROMETHEUS_MULTIPROC_DIR"

_folders: set[Path] = set()
_lock = threading.Lock()


class Slots:
    """The files of a worker's measuring processes, from here to `close`.

    Parameters
    ----------
    number : of processes

    Raises
    ------
    OSError : no folder can be made, or there is no room in it
    """

    def __init__(self, number: int) -> None:
        clear_away()
        self.folder = Path(tempfile.mkdtemp(prefix=PREFIX))
        try:
            self._held = _hold(self.folder)
            for slot in range(number):
                for kind in KINDS:
                    (self.folder / f"{kind}_{slot}.db").write_bytes(bytes(FILE_BYTES))
        except OSError:
            shutil.rmtree(self.folder, ignore_errors=True)
            raise
        with _lock:
            _folders.add(self.folder)

    def close(self) -> None:
        """Delete the files; call it when no process writes any more."""
        with _lock:
            _folders.discard(self.folder)
        if self._held is not None:
            os.close(self._held)
            self._held = None
        shutil.rmtree(self.folder, ignore_errors=True)


def collectors() -> list[Collector]:
    """One for each worker that is inside this process."""
    with _lock:
        folders = [str(folder) for folder in _folders if folder.is_dir()]
    return [MultiProcessCollector(None, folder) for folder in folders]  # type: ignore[no-untyped-call]


def count_in(folder: str, slot: int) -> None:
    """From now on what is counted in this process, a measuring one, goes to the files of the slot."""
    os.environ[_FOLDER_VARIABLE] = folder
    values.ValueClass = values.MultiProcessValue(lambda: slot)  # type: ignore[no-untyped-call]


def clear_away() -> None:
    """Delete the folders of workers that were killed."""
    if sys.platform == "win32":
        return
    for folder in Path(tempfile.gettempdir()).glob(f"{PREFIX}*"):
        with suppress(OSError):
            lock = os.open(folder / "lock", os.O_RDWR)
            try:
                fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
                shutil.rmtree(folder, ignore_errors=True)
            finally:
                os.close(lock)


def _hold(folder: Path) -> int | None:
    """Lock the folder, where there are locks; under its name the file is locked from the first moment."""
    if sys.platform == "win32":
        return None
    lock = os.open(folder / "lock.new", os.O_RDWR | os.O_CREAT, 0o600)
    fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    (folder / "lock.new").rename(folder / "lock")
    return lock
