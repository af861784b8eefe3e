"""Recordings in a folder of this machine."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import BinaryIO

from coilbench_worker.store.blob_place import INCOMING, OWNER


class Folder:
    """A place of blobs (blob_place.py): what comes in is written beside the final places, so that a rename keeps it."""

    def __init__(self, root: Path) -> None:
        self.root = root

    def incoming_folder(self) -> Path:
        return self.root / INCOMING

    def bring(self, path: Path, name: str, sha256: str) -> None:
        with path.open("rb") as file:
            os.fsync(file.fileno())

    def keep(self, path: Path, name: str, key: str) -> None:
        target = self.root / key
        target.parent.mkdir(parents=True, exist_ok=True)
        path.replace(target)
        if os.name == "posix":
            for parent in (target.parent, self.root):
                _to_disk(parent)

    def let_go(self, name: str) -> None:
        pass

    def path(self, key: str) -> Path:
        return self.root / key

    def open(self, key: str) -> BinaryIO:
        return (self.root / key).open("rb")

    def size(self, key: str) -> int | None:
        try:
            return (self.root / key).stat().st_size
        except FileNotFoundError:
            return None

    def delete(self, key: str) -> None:
        (self.root / key).unlink(missing_ok=True)

    def probe(self, name: str) -> None:
        path = self.incoming_folder() / name
        path.parent.mkdir(parents=True, exist_ok=True)
        try:
            path.write_bytes(b"coilbench")
        finally:
            path.unlink(missing_ok=True)

    def mark(self, text: str) -> str:
        self.root.mkdir(parents=True, exist_ok=True)
        try:
            with (self.root / OWNER).open("x", encoding="utf-8") as file:
                file.write(text)
                file.flush()
                os.fsync(file.fileno())
        except FileExistsError:
            return (self.root / OWNER).read_text("utf-8")
        return text

    def kept(self) -> Iterator[tuple[str, datetime]]:
        for folder in _entries(self.root):
            if folder.name != INCOMING and folder.is_dir(follow_symlinks=False):
                for entry in _entries(Path(folder.path)):
                    with suppress(FileNotFoundError):
                        yield f"{folder.name}/{entry.name}", _changed(entry)

    def drop_incoming(self, before: datetime) -> int:
        return drop_parts(self.incoming_folder(), before)

    def close(self) -> None:
        pass


def drop_parts(folder: Path, before: datetime) -> int:
    """Delete the unfinished files of a folder that were last written before this time; returns how many."""
    dropped = 0
    for entry in _entries(folder):
        with suppress(FileNotFoundError):
            if entry.name.endswith(".part") and _changed(entry) < before:
                Path(entry.path).unlink()
                dropped += 1
    return dropped


def _entries(folder: Path) -> Iterator[os.DirEntry[str]]:
    try:
        with os.scandir(folder) as entries:
            yield from entries
    except (FileNotFoundError, NotADirectoryError):
        return


def _changed(entry: os.DirEntry[str]) -> datetime:
    return datetime.fromtimestamp(entry.stat(follow_symlinks=False).st_mtime, UTC)


def _to_disk(folder: Path) -> None:
    """Bring the entries of a folder to the disk."""
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
