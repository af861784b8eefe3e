"""The recordings themselves, by content: in a folder on this machine, a bucket, or another store that fsspec knows.

A blob's key is made of the SHA-256 of its bytes (`ab/abcdef...`); names given by users never become paths.
"""

from __future__ import annotations

import hashlib
import io
import os
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO

import fsspec
import structlog
from fsspec.implementations.local import LocalFileSystem

from coilbench_worker.store.blob_place import KEY, BlobDamaged, BlobPlace, BlobStoreUnreachable
from coilbench_worker.store.far_store import FarStore
from coilbench_worker.store.folder import Folder
from coilbench_worker.store.identity import new_id

if TYPE_CHECKING:
    from coilbench_worker.configuration import Configuration

__all__ = ["BlobDamaged", "BlobStoreUnreachable", "Blobs", "Incoming"]

STALE_AFTER_S = 24 * 3600
_BUCKET = "s3://"
_BLOCK = 1024 * 1024

log = structlog.get_logger(__name__)


class Incoming:
    """One recording on its way in: written to a temporary file, hashed on the way, dropped unless kept.

    `file` may be read and sought between writes (the position is restored by the next `write`).
    """

    def __init__(self, place: BlobPlace) -> None:
        self._place = place
        self._name = new_id()
        self._path = place.incoming_folder() / f"{self._name}.part"
        self._hash = hashlib.sha256()
        self._file: BinaryIO = self._path.open("x+b")
        self._sealed = False
        self._brought = False
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
        """Get the bytes onto the disk, or whole into the far store. The slow part of `keep`: no transaction is open.

        Raises
        ------
        OSError : no room, or the store can't be reached; nothing was kept
        """
        if not self._brought:
            self._sealed = True
            self._file.flush()
            self._place.bring(self._path, self._name, self.sha256)
            self._brought = True

    def keep(self) -> str:
        """Put the blob in its place, in one step that can't be seen half done; returns its key.

        Call it inside the transaction that refers to the blob, before the commit. The same content twice is one blob.
        """
        if not self._kept:
            self.seal()
            self._file.close()
            self._place.keep(self._path, self._name, self.key)
            self._kept = True
        return self.key

    def _drop(self) -> None:
        with suppress(OSError):  # what it could not write any more is dropped with it
            self._file.close()
        self._path.unlink(missing_ok=True)
        if self._brought:
            try:
                self._place.let_go(self._name)
            except OSError as error:  # `Blobs.drop_stale` finds it later
                log.warning("left behind in the store of recordings", name=self._name, error=str(error))


class Blobs:
    """The store of recordings.

    Parameters
    ----------
    url : a folder, `file://FOLDER`, or another address that fsspec knows
    place : where they are, if it is not what `url` says by itself; `Blobs.of` knows about buckets
    """

    def __init__(self, url: str, place: BlobPlace | None = None) -> None:
        self.url = url
        self._place = _place_of(url) if place is None else place

    @classmethod
    def of(cls, configuration: Configuration) -> Blobs:
        """The store that the settings name; nothing is connected yet."""
        url = configuration.blobs
        if not url.startswith(_BUCKET):
            return cls(url)
        from coilbench_worker.store.bucket import Bucket, BucketAccess  # its library comes with the extra `s3`

        access = BucketAccess(configuration.blob_endpoint, configuration.blob_access_key, configuration.blob_secret_key)
        name, _, folder = url.removeprefix(_BUCKET).partition("/")
        return cls(url, Bucket(name, folder.strip("/"), access))

    @contextmanager
    def incoming(self) -> Iterator[Incoming]:
        """A place for a recording on its way in; gone at the end of the block unless `keep` was called."""
        self._place.incoming_folder().mkdir(parents=True, exist_ok=True)
        incoming = Incoming(self._place)
        try:
            yield incoming
        finally:
            incoming._drop()

    def open(self, key: str, size: int | None = None) -> BinaryIO:
        """The blob, to be read and sought in, as it comes: a far store's is not checked against its key.

        Parameters
        ----------
        size : bytes it must have

        Raises
        ------
        FileNotFoundError : there is none
        BlobDamaged : it has another size
        OSError : the store can't be reached; also from a read, of a stream that was cut
        """
        file = self._place.open(_checked(key))
        try:
            there = file.seek(0, os.SEEK_END)
            file.seek(0)
            if size is not None and there != size:
                raise BlobDamaged(f"the recording {key} has {there} bytes; {size} were kept")
        except BaseException:
            file.close()
            raise
        return file

    @contextmanager
    def local_path(self, key: str, size: int | None = None, pauses_s: Sequence[float] = ()) -> Iterator[Path]:
        """A path of this machine where the blob can be read during the block; a far store's is downloaded for it.

        Parameters
        ----------
        size : bytes it must have; what is downloaded must have the SHA-256 of its key as well
        pauses_s : for how long to wait before each further try when a far store can't be reached, seconds

        Raises
        ------
        FileNotFoundError : there is none
        BlobDamaged : it is not what was kept
        OSError : the store can't be reached
        """
        path = self._place.path(_checked(key))
        if path is not None:
            self.open(key, size).close()
            yield path
            return
        with tempfile.TemporaryDirectory(prefix="coilbench-") as folder:
            path = Path(folder) / "recording"
            self._download(key, path, pauses_s)
            yield path

    def exists(self, key: str) -> bool:
        """Whether the blob is there."""
        return self._place.size(_checked(key)) is not None

    def size(self, key: str) -> int | None:
        """Bytes of the blob; None when there is none."""
        return self._place.size(_checked(key))

    def delete(self, key: str) -> None:
        """Delete the blob; one that is not there is no error."""
        self._place.delete(_checked(key))

    def mark(self, owner: str) -> str:
        """Write whose the store is, if that is not written yet; what is written there.

        Raises
        ------
        OSError : the store can't be reached
        """
        return self._place.mark(owner)

    def older_than(self, seconds: float) -> Iterator[str]:
        """Keys of the blobs that were put there longer ago, as they are found; other things there are passed over."""
        before = _ago(seconds)
        return (key for key, changed in self._place.kept() if changed < before and KEY.fullmatch(key))

    @property
    def made(self) -> bool:
        """Whether the folder of a local store is there; a far store's place is only seen by writing to it."""
        return not isinstance(self._place, Folder) or self._place.root.exists()

    def could_be_made(self) -> bool:
        """Whether the folder of a local store that is not there could be made by this account; changes nothing."""
        assert isinstance(self._place, Folder)
        nearest = next(path for path in self._place.root.absolute().parents if path.exists())
        return nearest.is_dir() and os.access(nearest, os.W_OK | os.X_OK)

    def ping(self) -> None:
        """Write a few bytes and delete them again.

        Raises
        ------
        BlobStoreUnreachable : that did not work
        """
        try:
            self._place.probe(f"{new_id()}.probe")
        except Exception as error:  # each store has errors of its own
            raise BlobStoreUnreachable(
                f"{self.url} can't be written ({type(error).__name__}: {error}); "
                "see that it is there, has room, and that COILBENCH_BLOB_URL (or COILBENCH_DATA) names the right place;"
                " an S3-compatible store also needs its endpoint and keys"
            ) from error

    def drop_stale(self, older_than_s: float = STALE_AFTER_S) -> int:
        """Delete what interrupted uploads left behind, here and in a far store; returns how many."""
        return self._place.drop_incoming(_ago(older_than_s))

    def close(self) -> None:
        """Let go of connections to a far store; using it again makes new ones."""
        self._place.close()

    def _download(self, key: str, path: Path, pauses_s: Sequence[float]) -> None:
        for pause_s in pauses_s:
            try:
                return self._download_once(key, path)
            except BlobStoreUnreachable as error:
                log.warning("the recording can't be fetched now", key=key, error=str(error), again_in_s=pause_s)
            time.sleep(pause_s)
        return self._download_once(key, path)

    def _download_once(self, key: str, path: Path) -> None:
        digest = hashlib.sha256()
        with self._place.open(key) as source, path.open("wb") as target:
            while block := source.read(_BLOCK):
                digest.update(block)
                target.write(block)
        if not key.endswith(digest.hexdigest()):
            raise BlobDamaged(f"the recording {key} came with the SHA-256 {digest.hexdigest()}")


def _place_of(url: str) -> BlobPlace:
    files, root = fsspec.core.url_to_fs(url, use_listings_cache=False)
    return Folder(Path(root)) if isinstance(files, LocalFileSystem) else FarStore(files, root)


def _checked(key: str) -> str:
    if not KEY.fullmatch(key):
        raise ValueError(f"{key!r} is not the key of a blob")
    return key


def _ago(seconds: float) -> datetime:
    return datetime.now(UTC) - timedelta(seconds=seconds)
