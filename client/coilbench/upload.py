"""The body of a take on its way to the service: multipart, read from the file as it goes out."""

from __future__ import annotations

import hashlib
import json
import mimetypes
from collections.abc import Callable
from pathlib import Path
from typing import IO, Any

from requests_toolbelt.multipart.encoder import MultipartEncoder, MultipartEncoderMonitor

BLOCK = 1 << 20
UPLOAD_TIMEOUT_S = 300.0
"""The service may copy a whole recording before it answers."""

Watch = Callable[[int], None]
"""Told how many further bytes of the recording are done."""


def digest(path: Path, watch: Watch | None = None) -> str:
    """SHA-256 of a file, read in blocks.

    Parameters
    ----------
    path : the file
    watch : told of every block, or None

    Raises
    ------
    OSError : can't be read
    """
    sha256 = hashlib.sha256()
    with path.open("rb") as file:
        while block := file.read(BLOCK):
            sha256.update(block)
            if watch is not None:
                watch(len(block))
    return sha256.hexdigest()


def idempotency_key(sha256: str, name: str, about_json: str, generation: str = "") -> str:
    """The key under which a recording with a description is sent, the same in every run.

    Parameters
    ----------
    sha256 : of the bytes
    name : of the file
    about_json : canonical JSON of the description
    generation : tells apart a later sending of the same from the first
    """
    return hashlib.sha256(json.dumps([sha256, name, about_json, generation]).encode()).hexdigest()


def multipart(file: IO[bytes], name: str, about_json: str, watch: Watch | None = None) -> tuple[Any, str]:
    """Body and content type of a take; the file is read while it is sent.

    Parameters
    ----------
    file : open, binary; read from its start
    name : of the file, without folders; bytes of it that are no text are sent as question marks
    about_json : the description
    watch : told of bytes as they go, or None
    """
    file.seek(0)
    name = name.encode("utf-8", "replace").decode()
    kind = mimetypes.guess_type(name)[0] or "application/octet-stream"
    encoder = MultipartEncoder(
        fields=[("about", ("about.json", about_json, "application/json")), ("file", (name, file, kind))]
    )
    if watch is None:
        return encoder, encoder.content_type
    before = 0

    def tell(monitor: Any) -> None:
        nonlocal before
        watch(monitor.bytes_read - before)
        before = monitor.bytes_read

    return MultipartEncoderMonitor(encoder, tell), encoder.content_type
