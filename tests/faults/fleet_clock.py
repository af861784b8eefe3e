"""A clock of the day that is set while processes run, for some of them: forward, back, and to what it was."""

from __future__ import annotations

import struct
import subprocess
import tempfile
from pathlib import Path
from types import TracebackType
from typing import Self

from services import program

SOURCE = Path(__file__).with_name("moved_clock.c")


class MovedClock:
    """The clock of all processes that are started with `environment`; use it as a block."""

    def __init__(self) -> None:
        self._folder = tempfile.TemporaryDirectory(prefix="coilbench-clock-")
        place = Path(self._folder.name)
        place.chmod(0o755)  # PostgreSQL runs under another account
        self._library, self._file = place / "moved_clock.so", place / "moved_clock"
        compiler = program("cc", "gcc libc6-dev")
        subprocess.run(
            [compiler, "-O1", "-Wall", "-Werror", "-shared", "-fPIC", "-o", self._library, SOURCE, "-ldl"], check=True
        )
        self._file.write_bytes(struct.pack("=q", 0))

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._folder.cleanup()

    @property
    def environment(self) -> dict[str, str]:
        """For a process whose clock this is, and all that it starts."""
        return {"LD_PRELOAD": str(self._library), "MOVED_CLOCK": str(self._file)}

    def move(self, seconds: float) -> None:
        """Set the clock so far before the true one, or behind it."""
        with self._file.open("r+b") as file:
            file.write(struct.pack("=q", round(seconds * 1e9)))
