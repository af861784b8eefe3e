"""Recordings in a bucket of an S3-compatible store, over plain calls with bounded times and tries.

Every fault of the store comes out as BlobStoreUnreachable; what is sent carries its checksum, and what arrived is
looked at before it counts.
"""

from __future__ import annotations

import base64
import errno
import os
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from datetime import datetime
from functools import cache
from http import HTTPStatus
from pathlib import Path
from typing import Any, BinaryIO

import botocore.session
from botocore.config import Config
from botocore.exceptions import BotoCoreError, ClientError

from coilbench_worker.store.blob_place import INCOMING, KEY, ON_ITS_WAY, OWNER, BlobStoreUnreachable
from coilbench_worker.store.bucket_object import BucketObject, FilePart
from coilbench_worker.store.folder import drop_parts
from coilbench_worker.store.waiting_room import waiting_room

PART_BYTES = 64 * 1024**2
"""What is larger is sent in parts, so that a fault costs one of them; 10,000 are allowed."""
COPY_BYTES = 4 * 1024**3
"""What is larger is copied in parts; a store copies 5 GiB in one call at most."""
CONNECT_WITHIN_S = 5.0
ANSWER_WITHIN_S = 20.0
TRIES = 3
PROBE_WITHIN_S = 3.0
_USUAL, _PROBING, _ONCE = "usual", "probing", "once"
"""Kinds of clients. Deleting is tried once: the lock under which it happens (files.py) must not run out before, and a
later try then delete what was kept anew; the sweeper comes back to what failed."""
CONNECTIONS = 40
_FULL = frozenset({"InsufficientStorage", "QuotaExceeded", "StorageFull", "XMinioStorageFull"})
_MAKING = threading.Lock()
"""Held while clients are made: they share what was read of the library's descriptions, which no two threads may do."""
_TAKEN = frozenset({HTTPStatus.PRECONDITION_FAILED, HTTPStatus.CONFLICT})
OWNER_BYTES = 200
_NOT_THERE = frozenset({"404", "NoSuchKey"})


@dataclass(frozen=True)
class BucketAccess:
    """How a bucket is reached; what is None, botocore finds as it does (environment, files, role of the machine)."""

    endpoint: str | None = None
    access_key: str | None = field(default=None, repr=False)
    secret_key: str | None = field(default=None, repr=False)


class _MarkedMeanwhile(Exception):
    """Another was first to say whose the store is."""


class Bucket:
    """A place of blobs (blob_place.py).

    Parameters
    ----------
    name : of the bucket
    folder : start of all keys, without a slash at its end; may be empty
    """

    def __init__(self, name: str, folder: str, access: BucketAccess) -> None:
        self._name = name
        self._start = f"{folder}/" if folder else ""
        self._access = access
        self._clients: dict[tuple[int, str], Any] = {}

    def incoming_folder(self) -> Path:
        return waiting_room()

    def bring(self, path: Path, name: str, sha256: str) -> None:
        with self._writing() as client, path.open("rb") as file:
            key, size = self._incoming(name), path.stat().st_size
            if size <= PART_BYTES:
                checksum = base64.b64encode(bytes.fromhex(sha256)).decode()
                client.put_object(Bucket=self._name, Key=key, Body=file, ChecksumSHA256=checksum)
            else:
                self._in_parts(
                    client,
                    key,
                    _spans(size, PART_BYTES),
                    lambda part: client.upload_part(**part.call, Body=FilePart(file, part.start, part.size))["ETag"],
                )
            self._require_size(client, key, size)

    def keep(self, path: Path, name: str, key: str) -> None:
        source = {"Bucket": self._name, "Key": self._incoming(name)}
        with self._writing() as client:
            target, size = self._start + key, path.stat().st_size
            if size <= COPY_BYTES:
                client.copy_object(Bucket=self._name, Key=target, CopySource=source)
            else:
                self._in_parts(
                    client,
                    target,
                    _spans(size, COPY_BYTES),
                    lambda part: client.upload_part_copy(
                        **part.call,
                        CopySource=source,
                        CopySourceRange=f"bytes={part.start}-{part.start + part.size - 1}",
                    )["CopyPartResult"]["ETag"],
                )
            self._require_size(client, target, size)

    def let_go(self, name: str) -> None:
        self._delete(self._incoming(name))

    def path(self, key: str) -> None:
        return None

    def open(self, key: str) -> BinaryIO:
        def read_from(start: int) -> Any:
            with self._reached() as client:
                asked = {"Range": f"bytes={start}-"} if start else {}
                return client.get_object(Bucket=self._name, Key=self._start + key, **asked)

        return BucketObject(read_from, self._reached).buffered()

    def size(self, key: str) -> int | None:
        try:
            with self._reached() as client:
                return self._size(client, self._start + key)
        except FileNotFoundError:
            return None

    def delete(self, key: str) -> None:
        self._delete(self._start + key)

    def probe(self, name: str) -> None:
        key = self._incoming(name)
        with self._reached(_PROBING) as client:
            client.put_object(Bucket=self._name, Key=key, Body=b"coilbench")
            client.delete_object(Bucket=self._name, Key=key)

    def mark(self, text: str) -> str:
        there = self._owner()
        if there is None:
            with suppress(_MarkedMeanwhile), self._reached() as client:
                try:
                    client.put_object(Bucket=self._name, Key=self._start + OWNER, Body=text.encode(), IfNoneMatch="*")
                except ClientError as error:
                    if error.response["ResponseMetadata"]["HTTPStatusCode"] in _TAKEN:
                        raise _MarkedMeanwhile from error
                    raise
            there = self._owner()
        if there is None:
            raise BlobStoreUnreachable(f"the bucket {self._name} does not keep what is written to it")
        return there

    def kept(self) -> Iterator[tuple[str, datetime]]:
        for key, changed in self._listed(self._start):
            name = key.removeprefix(self._start)
            if name.count("/") == 1 and not name.startswith(f"{INCOMING}/"):
                yield name, changed

    def drop_incoming(self, before: datetime) -> int:
        """As in blob_place.py; uploads and copies in parts that were never finished count as well."""
        dropped = drop_parts(self.incoming_folder(), before)
        for key, changed in self._listed(f"{self._start}{INCOMING}/"):
            if changed < before and ON_ITS_WAY.fullmatch(key.removeprefix(self._start)):
                self._delete(key)
                dropped += 1
        return dropped + self._drop_unfinished(before)

    def close(self) -> None:
        with _MAKING:
            clients, self._clients = self._clients, {}
        for (pid, _), client in clients.items():
            if pid == os.getpid():
                client.close()

    def _drop_unfinished(self, before: datetime) -> int:
        dropped = 0
        with self._reached() as client:
            pages = client.get_paginator("list_multipart_uploads").paginate(Bucket=self._name, Prefix=self._start)
            for page in pages:
                for begun in page.get("Uploads", ()):
                    name = begun["Key"].removeprefix(self._start)
                    ours = ON_ITS_WAY.fullmatch(name) or KEY.fullmatch(name)
                    if ours and begun["Initiated"] < before:
                        client.abort_multipart_upload(Bucket=self._name, Key=begun["Key"], UploadId=begun["UploadId"])
                        dropped += 1
        return dropped

    def _owner(self) -> str | None:
        try:
            with self._reached() as client:
                body = client.get_object(Bucket=self._name, Key=self._start + OWNER)["Body"]
                with body:
                    return str(body.read(OWNER_BYTES).decode("utf-8", "replace"))
        except FileNotFoundError:
            return None

    def _listed(self, start: str) -> Iterator[tuple[str, datetime]]:
        with self._reached() as client:
            for page in client.get_paginator("list_objects_v2").paginate(Bucket=self._name, Prefix=start):
                for item in page.get("Contents", ()):
                    yield item["Key"], item["LastModified"]

    def _delete(self, key: str) -> None:
        with suppress(FileNotFoundError), self._reached(_ONCE) as client:
            client.delete_object(Bucket=self._name, Key=key)

    def _in_parts(self, client: Any, key: str, spans: Iterator[tuple[int, int]], send: Callable[[_Part], str]) -> None:
        """Make an object of parts; what can't be finished is given up, and `drop_incoming` finds it if that fails."""
        upload = {
            "Bucket": self._name,
            "Key": key,
            "UploadId": client.create_multipart_upload(Bucket=self._name, Key=key)["UploadId"],
        }
        try:
            parts = [
                {"PartNumber": number, "ETag": send(_Part({**upload, "PartNumber": number}, start, size))}
                for number, (start, size) in enumerate(spans, start=1)
            ]
            client.complete_multipart_upload(**upload, MultipartUpload={"Parts": parts})
        except BaseException:
            with suppress(BotoCoreError, ClientError):
                client.abort_multipart_upload(**upload)
            raise

    def _require_size(self, client: Any, key: str, size: int) -> None:
        there = self._size(client, key)
        if there != size:
            raise BlobStoreUnreachable(f"{there} of {size} bytes arrived in the bucket {self._name}")

    def _size(self, client: Any, key: str) -> int:
        size: int = client.head_object(Bucket=self._name, Key=key)["ContentLength"]
        return size

    def _incoming(self, name: str) -> str:
        return f"{self._start}{INCOMING}/{name}"

    @contextmanager
    def _writing(self) -> Iterator[Any]:
        """As `_reached`, where what is not there can only have been taken away meanwhile: may pass."""
        try:
            with self._reached() as client:
                yield client
        except FileNotFoundError as error:
            raise BlobStoreUnreachable(f"what came in was gone before it was kept: {error}") from error

    @contextmanager
    def _reached(self, kind: str = _USUAL) -> Iterator[Any]:
        """A client, for calls whose faults come out as FileNotFoundError or BlobStoreUnreachable."""
        try:
            yield self._client(kind)
        except ClientError as error:
            code = str(error.response.get("Error", {}).get("Code", ""))
            status = error.response.get("ResponseMetadata", {}).get("HTTPStatusCode")
            if code in _NOT_THERE:
                raise FileNotFoundError(errno.ENOENT, f"not in the bucket {self._name}") from error
            if code in _FULL or status == HTTPStatus.INSUFFICIENT_STORAGE:
                raise BlobStoreUnreachable(errno.ENOSPC, f"the bucket {self._name} is full ({code})") from error
            raise BlobStoreUnreachable(f"the store of the bucket {self._name} answered: {error}") from error
        except BotoCoreError as error:
            raise BlobStoreUnreachable(f"the store of the bucket {self._name} did not answer: {error}") from error

    def _client(self, kind: str) -> Any:
        """One client of a kind for all threads of this process; a process that was forked makes its own."""
        ours = (os.getpid(), kind)
        client = self._clients.get(ours)
        if client is None:
            with _MAKING:
                client = self._clients.get(ours)
                if client is None:
                    client = self._clients[ours] = self._new_client(kind)
        return client

    def _new_client(self, kind: str) -> Any:
        access = self._access
        config = Config(
            connect_timeout=PROBE_WITHIN_S if kind == _PROBING else CONNECT_WITHIN_S,
            read_timeout=PROBE_WITHIN_S if kind == _PROBING else ANSWER_WITHIN_S,
            retries={"mode": "standard", "total_max_attempts": TRIES if kind == _USUAL else 1},
            max_pool_connections=CONNECTIONS,
            s3={"addressing_style": "path"} if access.endpoint else {},
            # Checksums are given where they are wanted: other stores don't take the trailers of the default.
            request_checksum_calculation="when_required",
            response_checksum_validation="when_required",
        )
        return _session().create_client(
            "s3",
            endpoint_url=access.endpoint,
            aws_access_key_id=access.access_key,
            aws_secret_access_key=access.secret_key,
            config=config,
        )


@cache
def _session() -> Any:
    return botocore.session.Session()


@dataclass(frozen=True)
class _Part:
    """One part of an upload: what names it in a call, and where it lies, bytes."""

    call: dict[str, Any]
    start: int
    size: int


def _spans(size: int, part_bytes: int) -> Iterator[tuple[int, int]]:
    """Start and size of each part, bytes."""
    return ((start, min(part_bytes, size - start)) for start in range(0, size, part_bytes))
