"""What a place of recordings does, in whatever way it does it: a folder, a bucket, another store that fsspec knows."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import BinaryIO, Protocol

INCOMING = "incoming"
"""Folder of what is on its way in."""
OWNER = "owner"
"""Name of what says whose the store is."""
KEY = re.compile(r"([0-9a-f]{2})/\1[0-9a-f]{62}")
ON_ITS_WAY = re.compile(rf"{INCOMING}/[0-9a-f]{{8}}(-[0-9a-f]{{4}}){{3}}-[0-9a-f]{{12}}(\.probe)?")
"""Names of what is ours, kept and on its way in: a bucket may be shared, and whatever else lies there is left alone."""


class BlobStoreUnreachable(OSError):
    """The place of the recordings can't be reached, read or written now; the message says which and what happened.

    `errno` is ENOSPC where it is full.
    """


class BlobDamaged(OSError):
    """What the store holds or hands out is not the recording that was put there."""


class BlobPlace(Protocol):
    """A place of blobs; each has a name: `incoming/NAME` on its way in, its key when it is kept.

    All of it may raise OSError for a fault that may pass, BlobStoreUnreachable among them.
    """

    def incoming_folder(self) -> Path:
        """Folder of this machine where recordings are written as they come."""

    def bring(self, path: Path, name: str, sha256: str) -> None:
        """Bring what was written to `path` where `keep` needs only a moment: on the disk, or whole in the far store."""

    def keep(self, path: Path, name: str, key: str) -> None:
        """Give what was brought its final name, over what may be there, in one step that can't be seen half done."""

    def let_go(self, name: str) -> None:
        """Delete what `bring` left, if anything."""

    def path(self, key: str) -> Path | None:
        """Where a blob is on this machine, or would be; None for a far store."""

    def open(self, key: str) -> BinaryIO:
        """The blob, to be read and sought in; a read that ends before the blob does raises.

        Raises
        ------
        FileNotFoundError : there is none
        """

    def size(self, key: str) -> int | None:
        """Bytes of the blob; None when there is none."""

    def delete(self, key: str) -> None:
        """Delete the blob; one that is not there is no error."""

    def probe(self, name: str) -> None:
        """Write a few bytes and delete them again; gives up sooner than the others."""

    def mark(self, text: str) -> str:
        """Write who the store belongs to, if that is not written yet; what is written there."""

    def kept(self) -> Iterator[tuple[str, datetime]]:
        """Name and time of the last change, aware, of all that lies two levels deep, `incoming` left out."""

    def drop_incoming(self, before: datetime) -> int:
        """Delete what came in before this time and was never kept, and nothing of others; returns how many."""

    def close(self) -> None:
        """Let go of connections; the next use makes new ones."""
