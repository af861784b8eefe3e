"""Recordings from one store to another, each held against its SHA-256 on the way."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from coilbench_worker.store.blobs import BlobDamaged, Blobs

_BLOCK = 1 << 20


@dataclass
class Copied:
    """How many recordings were brought, and the keys of those that were not there, or were not what was kept."""

    recordings: int = 0
    lost: list[str] = field(default_factory=list)
    damaged: list[str] = field(default_factory=list)


def copy_recordings(source: Blobs, target: Blobs, wanted: Iterable[str]) -> Copied:
    """Bring the recordings of these keys; those that are there already stay as they are.

    Raises
    ------
    OSError : a store can't be reached
    """
    copied = Copied()
    for key in wanted:
        if target.size(key) is not None:
            continue
        try:
            _copy(source, target, key)
            copied.recordings += 1
        except FileNotFoundError:
            copied.lost.append(key)
        except BlobDamaged:
            copied.damaged.append(key)
    return copied


def unsound(store: Blobs, wanted: Mapping[str, int], *, whole: bool) -> list[str]:
    """Keys of recordings that are not there or not whole: another size, or, read through, another SHA-256.

    Parameters
    ----------
    wanted : bytes by key
    whole : read them through
    """
    return [
        key
        for key, size in wanted.items()
        if store.size(key) != size or (whole and not key.endswith(_sha256(store, key)))
    ]


def _copy(source: Blobs, target: Blobs, key: str) -> None:
    with source.local_path(key) as path, path.open("rb") as file, target.incoming() as incoming:
        while block := file.read(_BLOCK):
            incoming.write(block)
        if incoming.key != key:
            raise BlobDamaged(f"the recording {key} has the SHA-256 {incoming.sha256}")
        incoming.keep()


def _sha256(store: Blobs, key: str) -> str:
    found = hashlib.sha256()
    with store.open(key) as file:
        while block := file.read(_BLOCK):
            found.update(block)
    return found.hexdigest()
