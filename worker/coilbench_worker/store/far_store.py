"""Recordings in a store that fsspec knows and that has no module of its own here."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, BinaryIO, cast

from coilbench_worker.store.blob_place import INCOMING, ON_ITS_WAY, OWNER, BlobStoreUnreachable
from coilbench_worker.store.folder import drop_parts
from coilbench_worker.store.waiting_room import waiting_room


class FarStore:
    """A place of blobs (blob_place.py).

    Parameters
    ----------
    files : an fsspec file system without a listings cache
    root : the folder there
    """

    def __init__(self, files: Any, root: str) -> None:
        self._files = files
        self._root = root

    def incoming_folder(self) -> Path:
        return waiting_room()

    def bring(self, path: Path, name: str, sha256: str) -> None:
        self._files.makedirs(f"{self._root}/{INCOMING}", exist_ok=True)
        self._files.put_file(str(path), self._incoming(name))
        sent, there = path.stat().st_size, self._files.info(self._incoming(name))["size"]
        if sent != there:
            raise BlobStoreUnreachable(f"{there} of {sent} bytes arrived")

    def keep(self, path: Path, name: str, key: str) -> None:
        self._files.makedirs(f"{self._root}/{key}".rpartition("/")[0], exist_ok=True)
        self._files.mv(self._incoming(name), f"{self._root}/{key}")

    def let_go(self, name: str) -> None:
        with suppress(FileNotFoundError):
            self._files.rm_file(self._incoming(name))

    def path(self, key: str) -> None:
        return None

    def open(self, key: str) -> BinaryIO:
        return cast(BinaryIO, self._files.open(f"{self._root}/{key}", "rb"))

    def size(self, key: str) -> int | None:
        try:
            return int(self._files.info(f"{self._root}/{key}")["size"])
        except FileNotFoundError:
            return None

    def delete(self, key: str) -> None:
        with suppress(FileNotFoundError):
            self._files.rm_file(f"{self._root}/{key}")

    def probe(self, name: str) -> None:
        self._files.makedirs(f"{self._root}/{INCOMING}", exist_ok=True)
        self._files.pipe_file(self._incoming(name), b"coilbench")
        self._files.rm_file(self._incoming(name))

    def mark(self, text: str) -> str:
        path = f"{self._root}/{OWNER}"
        if not self._files.exists(path):
            self._files.makedirs(self._root, exist_ok=True)
            self._files.pipe_file(path, text.encode())
        return bytes(self._files.cat_file(path)).decode("utf-8", "replace")

    def kept(self) -> Iterator[tuple[str, datetime]]:
        for folder in self._listed(self._root):
            if not folder.endswith(f"/{INCOMING}"):
                for name in self._listed(folder):
                    with suppress(FileNotFoundError):
                        yield "/".join(name.split("/")[-2:]), self._changed(name)

    def drop_incoming(self, before: datetime) -> int:
        dropped = drop_parts(self.incoming_folder(), before)
        for name in self._listed(f"{self._root}/{INCOMING}"):
            with suppress(FileNotFoundError):
                if ON_ITS_WAY.fullmatch("/".join(name.split("/")[-2:])) and self._changed(name) < before:
                    self._files.rm_file(name)
                    dropped += 1
        return dropped

    def close(self) -> None:
        pass

    def _incoming(self, name: str) -> str:
        return f"{self._root}/{INCOMING}/{name}"

    def _listed(self, folder: str) -> list[str]:
        try:
            return [str(name) for name in self._files.ls(folder, detail=False)]
        except (FileNotFoundError, NotADirectoryError):
            return []

    def _changed(self, name: str) -> datetime:
        changed: datetime = self._files.modified(name)
        return changed if changed.tzinfo else changed.replace(tzinfo=UTC)
