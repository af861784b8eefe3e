"""Objects of a bucket as files to read, and stretches of files as bodies to send."""

from __future__ import annotations

import io
import os
from collections.abc import Callable
from contextlib import AbstractContextManager
from typing import Any, BinaryIO, cast

from coilbench_worker.store.blob_place import BlobStoreUnreachable

BUFFER_BYTES = 64 * 1024


class BucketObject(io.RawIOBase):
    """An object, read as it comes; a read elsewhere lets the stream go and asks for another from there.

    A stream that is cut raises at the read that would have ended early.

    Parameters
    ----------
    read_from : the answer to a request for the object from this byte on; called at once
    reached : turns faults of the store into ours
    """

    def __init__(self, read_from: Callable[[int], Any], reached: Callable[[], AbstractContextManager[Any]]) -> None:
        super().__init__()
        self._read_from = read_from
        self._reached = reached
        self._at = self._body_at = 0
        answer = read_from(0)
        self._body: Any = answer["Body"]
        self.size: int = answer["ContentLength"]

    def buffered(self) -> BinaryIO:
        """The object as a file with a buffer before it."""
        return cast(BinaryIO, io.BufferedReader(self, BUFFER_BYTES))

    def readable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return True

    def tell(self) -> int:
        return self._at

    def seek(self, offset: int, whence: int = os.SEEK_SET) -> int:
        base = {os.SEEK_SET: 0, os.SEEK_CUR: self._at, os.SEEK_END: self.size}[whence]
        self._at = max(base + offset, 0)
        return self._at

    def readinto(self, target: Any) -> int:
        view = memoryview(target).cast("B")
        wanted = min(len(view), self.size - self._at)
        if wanted <= 0:
            return 0
        with self._reached():
            if self._body is None or self._body_at != self._at:
                self._let_go()
                self._body, self._body_at = self._read_from(self._at)["Body"], self._at
            found = self._body.read(wanted)
        if not found:  # the library says so itself where it knows the length
            raise BlobStoreUnreachable(f"the stream ended after {self._at} of {self.size} bytes")
        view[: len(found)] = found
        self._at = self._body_at = self._at + len(found)
        return len(found)

    def close(self) -> None:
        self._let_go()
        super().close()

    def _let_go(self) -> None:
        body, self._body = self._body, None
        if body is not None:
            body.close()


class FilePart(io.RawIOBase):
    """A stretch of a file, read and sought in as if it were the whole; the file stays open.

    Parameters
    ----------
    start, size : of the stretch, bytes
    """

    def __init__(self, file: BinaryIO, start: int, size: int) -> None:
        super().__init__()
        self._file = file
        self._start = start
        self._size = size
        self._at = 0

    def readable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return True

    def tell(self) -> int:
        return self._at

    def seek(self, offset: int, whence: int = os.SEEK_SET) -> int:
        base = {os.SEEK_SET: 0, os.SEEK_CUR: self._at, os.SEEK_END: self._size}[whence]
        self._at = min(max(base + offset, 0), self._size)
        return self._at

    def readinto(self, target: Any) -> int:
        view = memoryview(target).cast("B")
        self._file.seek(self._start + self._at)
        found = self._file.read(min(len(view), self._size - self._at))
        view[: len(found)] = found
        self._at += len(found)
        return len(found)
