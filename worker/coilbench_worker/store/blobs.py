"""The recordings themselves, by content: a folder on this machine, or any store that fsspec knows (S3 and others).

A blob's key is made of the SHA-256 of its bytes (`ab/abcdef...`); names given by users never become paths.
"""

from __future__ import annotations

import hashlib
import io
import os
import re
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import BinaryIO, cast

import fsspec
from fsspec.implementations.local import LocalFileSystem

from coilbench_worker.store.identity import new_id

INCOMING = "incoming"
STALE_AFTER_S = 24 * 3600
_KEY = re.compile(r"^[0-9a-f]{2}/[0-9a-f]{64}$")


class BlobStoreUnreachable(Exception):
    """The place of the recordings can't be written; the message says which and what to look at."""


class Incoming:
    """One recording on its way in: written to a temporary file, hashed on the way, dropped unless kept.

    `file` may be read and sought between writes (the position is restored by the next `write`).
    """

    def __init__(self, blobs: Blobs, path: Path) -> None:
        self._blobs = blobs
        self._path = path
        self._hash = hashlib.sha256()
        self._file: BinaryIO = path.open("w+b")
        self._sealed = False
        self._kept = False
        self.size = 0

    @property
    def file(self) -> BinaryIO:
        """What has been written, to be read and sought in."""
        self._file.flush()
        return self._file

    @property
    def path(self) -> Path:
        """Where the bytes are until they are kept or dropped, for another process to read; `seal` first."""
        return self._path

    @property
    def sha256(self) -> str:
        """SHA-256 of the bytes written, 64 hexadecimal digits."""
        return self._hash.hexdigest()

    @property
    def key(self) -> str:
        """The key under which the blob is kept, or would be."""
        return f"{self.sha256[:2]}/{self.sha256}"

    def write(self, data: bytes | bytearray | memoryview) -> int:
        """Append `data`."""
        if self._sealed:
            raise ValueError("the recording is sealed: nothing can be added")
        self._file.seek(0, io.SEEK_END)
        self._file.write(data)
        self._hash.update(data)
        self.size += len(data)
        return len(data)

    def seal(self) -> None:
        """Get the bytes onto the disk. The slow part of `keep`, to be done before a transaction is opened."""
        if not self._sealed:
            self._file.flush()
            os.fsync(self._file.fileno())
            self._sealed = True

    def keep(self) -> str:
        """Put the blob in its place, in one step that can't be seen half done; returns its key.

        Call it inside the transaction that refers to the blob, before the commit. The same content twice is one blob.
        """
        if not self._kept:
            self.seal()
            self._file.close()
            self._blobs._put(self._path, self.key)
            self._kept = True
        return self.key

    def _drop(self) -> None:
        self._file.close()
        with suppress(FileNotFoundError):
            self._path.unlink()


class Blobs:
    """The store of recordings.

    Parameters
    ----------
    url : a folder, `file://FOLDER`, `s3://BUCKET/FOLDER`, or another address that fsspec knows
    """

    def __init__(self, url: str) -> None:
        self.url = url
        self._fs, self._root = fsspec.core.url_to_fs(url)
        self._local = isinstance(self._fs, LocalFileSystem)

    @contextmanager
    def incoming(self) -> Iterator[Incoming]:
        """A place for a recording on its way in; gone at the end of the block unless `keep` was called."""
        folder = self._incoming_folder()
        folder.mkdir(parents=True, exist_ok=True)
        incoming = Incoming(self, folder / f"{new_id()}.part")
        try:
            yield incoming
        finally:
            incoming._drop()

    def open(self, key: str) -> BinaryIO:
        """The blob, to be read and sought in; FileNotFoundError when there is none."""
        return cast(BinaryIO, self._fs.open(self._address(key), "rb"))

    @contextmanager
    def local_path(self, key: str) -> Iterator[Path]:
        """A path of this machine where the blob can be read during the block; a far store's is downloaded for it."""
        if self._local:
            yield Path(self._address(key))
            return
        with tempfile.TemporaryDirectory(prefix="coilbench-") as folder:
            path = Path(folder) / "recording"
            self._fs.get_file(self._address(key), str(path))
            yield path

    def exists(self, key: str) -> bool:
        """Whether the blob is there."""
        return bool(self._fs.exists(self._address(key)))

    def delete(self, key: str) -> None:
        """Delete the blob; one that is not there is no error."""
        with suppress(FileNotFoundError):
            self._fs.rm_file(self._address(key))

    @property
    def made(self) -> bool:
        """Whether the folder of a local store is there; a far store's place is only seen by writing to it."""
        return not self._local or Path(self._root).exists()

    def could_be_made(self) -> bool:
        """Whether the folder of a local store that is not there could be made by this account; changes nothing."""
        nearest = next(path for path in Path(self._root).absolute().parents if path.exists())
        return nearest.is_dir() and os.access(nearest, os.W_OK | os.X_OK)

    def ping(self) -> None:
        """Write a few bytes and delete them again.

        Raises
        ------
        BlobStoreUnreachable : that did not work
        """
        address = f"{self._root}/{INCOMING}/{new_id()}.probe"
        try:
            self._fs.makedirs(f"{self._root}/{INCOMING}", exist_ok=True)
            self._fs.pipe_file(address, b"coilbench")
            self._fs.rm_file(address)
        except Exception as error:  # each store has errors of its own
            raise BlobStoreUnreachable(
                f"{self.url} can't be written ({type(error).__name__}: {error}); "
                "see that it is there, has room, and that COILBENCH_BLOB_URL (or COILBENCH_DATA) names the right place"
            ) from error

    def drop_stale(self, older_than_s: float = STALE_AFTER_S) -> int:
        """Delete what interrupted uploads left behind; returns how many."""
        dropped = 0
        for path in self._incoming_folder().glob("*.part"):
            with suppress(FileNotFoundError):
                if time.time() - path.stat().st_mtime > older_than_s:
                    path.unlink()
                    dropped += 1
        return dropped

    def _incoming_folder(self) -> Path:
        """Beside the final places for a local store, so that a rename is enough; the system's temporary folder else."""
        return Path(self._root) / INCOMING if self._local else Path(tempfile.gettempdir()) / "coilbench-incoming"

    def _address(self, key: str) -> str:
        if not _KEY.fullmatch(key):
            raise ValueError(f"{key!r} is not the key of a blob")
        return f"{self._root}/{key}"

    def _put(self, source: Path, key: str) -> None:
        address = self._address(key)
        if self._local:
            _put_locally(source, Path(address))
            return
        if self._fs.exists(address):
            return
        passing = f"{self._root}/{INCOMING}/{new_id()}"
        for folder in (passing, address):
            self._fs.makedirs(folder.rpartition("/")[0], exist_ok=True)
        self._fs.put_file(str(source), passing)
        self._fs.mv(passing, address)


def _put_locally(source: Path, target: Path) -> None:
    """Give the finished temporary file its final name; the entry in the folder reaches the disk as well."""
    target.parent.mkdir(parents=True, exist_ok=True)
    source.replace(target)
    if os.name == "posix":
        for path in (target.parent, target.parent.parent):
            folder = os.open(path, os.O_RDONLY)
            try:
                os.fsync(folder)
            finally:
                os.close(folder)
