"""A stretch of a file, for a reader that takes it for the whole file."""

import os
from typing import BinaryIO


class Window:
    """Bytes `start` to `start + size` of a file behind `front`, read-only, with the methods that soundfile asks of a
    file.

    An `OSError` or `MemoryError` inside a call-back of the library would be printed and lost; it is kept in `fault` and
    reads as the end of the file, so that the caller can raise it.
    """

    def __init__(self, file: BinaryIO, start: int, size: int, front: bytes = b"") -> None:
        self._file = file
        self._start = start - len(front)
        self._size = size + len(front)
        self._front = front
        self._at = 0
        self.fault: OSError | MemoryError | None = None
        file.seek(start)

    def seek(self, offset: int, whence: int = os.SEEK_SET) -> int:
        """Move, as for any file; never out of the window."""
        base = {os.SEEK_SET: 0, os.SEEK_CUR: self._at, os.SEEK_END: self._size}[whence]
        self._at = min(max(base + offset, 0), self._size)
        self._file.seek(self._start + max(self._at, len(self._front)))
        return self._at

    def tell(self) -> int:
        """Position within the window."""
        return self._at

    def readinto(self, target: bytearray | memoryview) -> int:
        """Fill `target` as far as the window goes; the number of bytes read."""
        view = memoryview(target).cast("B")
        wanted = max(min(len(view), self._size - self._at), 0)
        begun = self._front[self._at : self._at + wanted]
        view[: len(begun)] = begun
        try:
            found: int = self._file.readinto(view[len(begun) : wanted])  # type: ignore[attr-defined]
        except (OSError, MemoryError) as fault:
            self.fault = fault
            return 0
        self._at += len(begun) + found
        return len(begun) + found

    def read(self, size: int = -1) -> bytes:
        """At most `size` bytes."""
        left = max(self._size - self._at, 0)
        found = bytearray(left if size < 0 else min(size, left))
        return bytes(found[: self.readinto(found)])
