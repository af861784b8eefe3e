"""A disk of a few megabytes, to be filled for real: a tmpfs, mounted for the length of a test."""

from __future__ import annotations

import errno
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO


class NoSmallDisk(Exception):
    """This account may not mount a disk."""


class SmallDisk:
    """The mounted disk and the file that fills it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._filler = folder / "filler"

    def fill(self) -> None:
        """Write until nothing more goes in."""
        with self._filler.open("ab", buffering=0) as file:
            for block in (64 * 1024, 4096, 1):
                while _fits(file, bytes(block)):
                    pass

    def make_room(self) -> None:
        """Take away what filled it."""
        self._filler.unlink()

    def files(self) -> list[str]:
        """Names of all files there, without what fills it."""
        found = (path.relative_to(self.folder) for path in self.folder.rglob("*") if path.is_file())
        return sorted(str(path) for path in found if path.name != self._filler.name)


@contextmanager
def small_disk(folder: Path, mebibytes: int) -> Iterator[SmallDisk]:
    """A disk of this size at the folder, which is made, until the block ends.

    Raises
    ------
    NoSmallDisk : it can't be mounted; the message says what is wanted
    """
    folder.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", f"size={mebibytes}m", "tmpfs", str(folder)]
    try:
        subprocess.run(mount, check=True, capture_output=True, text=True)
    except (OSError, subprocess.CalledProcessError) as error:
        said = getattr(error, "stderr", "") or str(error)
        raise NoSmallDisk(
            f"no tmpfs of {mebibytes} MiB can be mounted ({said.strip()}); run this test as root, in a container with "
            "the capability SYS_ADMIN"
        ) from error
    try:
        yield SmallDisk(folder)
    finally:
        subprocess.run(["umount", "--lazy", str(folder)], check=True)


def _fits(file: BinaryIO, block: bytes) -> bool:
    """Write a block whole; False when the disk is full."""
    try:
        return file.write(block) == len(block)
    except OSError as error:
        if error.errno != errno.ENOSPC:
            raise
        return False
