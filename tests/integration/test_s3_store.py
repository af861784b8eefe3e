"""Recordings in a bucket of a real S3 server: put there whole, read back, found by age, and swept."""

from __future__ import annotations

import hashlib
import os
import socketserver
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from coilbench_worker.configuration import Configuration
from coilbench_worker.store import bucket, waiting_room
from coilbench_worker.store.blobs import BlobDamaged, Blobs, BlobStoreUnreachable
from coilbench_worker.store.identity import new_id
from http_recordings import strums_wav
from http_service import Service, assert_problem, service
from services import S3Server

CONTENT = b"RIFF and so on" * 1000
LEAST_PART = 5 * 1024**2
"""The least a part of an upload may have, bytes."""


@pytest.fixture(autouse=True)
def own_waiting_room(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Recordings on their way in wait in a folder of this test."""
    monkeypatch.setattr(waiting_room.tempfile, "gettempdir", lambda: str(tmp_path))


@pytest.fixture
def store(s3_server: S3Server, s3_folder: str, tmp_path: Path) -> Iterator[Blobs]:
    """A store in an empty folder of the bucket."""
    store = Blobs.of(Configuration(data=tmp_path, **s3_server.settings(s3_folder)))
    yield store
    store.close()


@pytest.fixture
def far(s3_server: S3Server, s3_folder: str, tmp_path: Path) -> Iterator[Service]:
    """The service with its recordings there."""
    with service(tmp_path / "data", **s3_server.settings(s3_folder)) as far:
        yield far


def keep(store: Blobs, content: bytes) -> str:
    """Keep the content; its key."""
    with store.incoming() as incoming:
        incoming.write(content)
        incoming.seal()
        return incoming.keep()


def files(folder: Path) -> list[Path]:
    """All files in the folder."""
    return [path for path in folder.rglob("*") if path.is_file()]


def test_what_is_kept_is_found_by_its_content_and_nothing_else_is_left(
    store: Blobs, s3_server: S3Server, s3_folder: str, tmp_path: Path
) -> None:
    key = keep(store, CONTENT)
    assert key.endswith(hashlib.sha256(CONTENT).hexdigest())
    assert (s3_server.keys(s3_folder), files(tmp_path)) == ([key], [])
    with store.open(key) as file:
        assert file.read() == CONTENT
        file.seek(-5, os.SEEK_END)
        assert file.read() == CONTENT[-5:]
        file.seek(9000)
        assert file.read(3) == CONTENT[9000:9003]
    with store.local_path(key, len(CONTENT)) as path:
        assert path.read_bytes() == CONTENT
    assert files(tmp_path) == []
    assert keep(store, CONTENT) == key
    store.delete(key)
    store.delete(key)
    assert (store.exists(key), s3_server.keys(s3_folder)) == (False, [])
    with pytest.raises(FileNotFoundError):
        store.open(key)


def test_whose_a_bucket_is_stands_there_once_and_for_all(store: Blobs, s3_server: S3Server, s3_folder: str) -> None:
    assert store.mark("the first") == "the first"
    assert store.mark("the second") == "the first"
    assert s3_server.keys(s3_folder) == []
    assert list(store.older_than(-60)) == []


def test_what_is_sealed_is_there_whole_before_it_is_kept_and_gone_if_it_is_not(
    store: Blobs, s3_server: S3Server, s3_folder: str, tmp_path: Path
) -> None:
    with store.incoming() as incoming:
        incoming.write(CONTENT)
        assert s3_server.keys(s3_folder) == []
        incoming.seal()
        (passing,) = s3_server.keys(s3_folder)
        assert passing.startswith("incoming/")
    assert (s3_server.keys(s3_folder), files(tmp_path)) == ([], [])


def test_large_recordings_are_sent_and_kept_in_parts(
    store: Blobs, s3_server: S3Server, s3_folder: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(bucket, "PART_BYTES", LEAST_PART)
    monkeypatch.setattr(bucket, "COPY_BYTES", LEAST_PART)
    content = os.urandom(2 * LEAST_PART + 4321)
    key = keep(store, content)
    assert s3_server.keys(s3_folder) == [key]
    with store.local_path(key, len(content)) as path:
        assert path.read_bytes() == content
    with s3_server.client() as client:
        assert "Uploads" not in client.list_multipart_uploads(Bucket=s3_server.bucket, Prefix=s3_folder)


def test_an_upload_of_which_not_all_arrived_is_not_kept(
    store: Blobs, s3_server: S3Server, s3_folder: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    arrived = bucket.Bucket._size
    monkeypatch.setattr(bucket.Bucket, "_size", lambda *call: arrived(*call) - 1)
    with pytest.raises(BlobStoreUnreachable, match="13999 of 14000 bytes arrived"):
        keep(store, CONTENT)
    monkeypatch.undo()
    assert [name for name in s3_server.keys(s3_folder) if not name.startswith("incoming/")] == []


def test_blobs_are_found_by_age_and_other_things_passed_over(store: Blobs, s3_server: S3Server, s3_folder: str) -> None:
    keys = {keep(store, bytes([number]) * 100) for number in range(3)}
    with s3_server.client() as client:
        for name in ("notes.txt", "ab/notes.txt", f"cd/{'0' * 64}", "incoming/x", f"deep/{min(keys)}"):
            client.put_object(Bucket=s3_server.bucket, Key=f"{s3_folder}/{name}", Body=b"x")
    assert list(store.older_than(3600)) == []
    assert set(store.older_than(-3600)) == keys


def test_what_interrupted_uploads_left_in_the_bucket_is_cleared_away_later_and_nothing_of_others(
    store: Blobs, s3_server: S3Server, s3_folder: str
) -> None:
    key = keep(store, CONTENT)
    others = f"{s3_folder}/incoming/invoice.pdf"
    with s3_server.client() as client:
        there: dict[str, Any] = {"Bucket": s3_server.bucket}
        for name in (f"{s3_folder}/incoming/{new_id()}", others):
            client.put_object(**there, Key=name, Body=b"x")
        for name in (f"{s3_folder}/incoming/{new_id()}", f"{s3_folder}/{key}", f"{s3_folder}/film.mov"):
            begun = client.create_multipart_upload(**there, Key=name)
            client.upload_part(**there, Key=name, UploadId=begun["UploadId"], PartNumber=1, Body=bytes(LEAST_PART))
        assert store.drop_stale(3600) == 0
        assert store.drop_stale(-3600) == 3
        left = client.list_multipart_uploads(**there, Prefix=s3_folder)["Uploads"]
        assert [one["Key"] for one in left] == [f"{s3_folder}/film.mov"]
    assert set(s3_server.keys(s3_folder)) == {key, others.removeprefix(f"{s3_folder}/")}


def test_deleting_is_tried_once_because_a_later_try_might_delete_what_was_kept_anew(tmp_path: Path) -> None:
    asked: list[bytes] = []

    class HangsUp(socketserver.StreamRequestHandler):
        def handle(self) -> None:
            asked.append(self.rfile.readline().split()[0])

    with socketserver.ThreadingTCPServer(("127.0.0.1", 0), HangsUp) as server:
        threading.Thread(target=server.serve_forever, args=(0.01,)).start()
        access = bucket.BucketAccess(f"http://127.0.0.1:{server.server_address[1]}", "key", "secret")
        place = bucket.Bucket("takes", "", access)
        for ask in (place.size, place.delete):
            with pytest.raises(BlobStoreUnreachable):
                ask(f"ab/ab{'0' * 62}")
        place.close()
        server.shutdown()
    assert asked == [b"HEAD"] * bucket.TRIES + [b"DELETE"]


def test_a_recording_that_is_not_what_was_kept_is_never_handed_to_measuring(
    store: Blobs, s3_server: S3Server, s3_folder: str
) -> None:
    key = keep(store, CONTENT)
    with s3_server.client() as client:
        client.put_object(Bucket=s3_server.bucket, Key=f"{s3_folder}/{key}", Body=CONTENT[:-1])
    with pytest.raises(BlobDamaged, match=key), store.local_path(key, len(CONTENT)):
        pass


def test_a_store_that_can_not_be_written_is_named_with_what_to_look_at(
    s3_server: S3Server, s3_folder: str, tmp_path: Path
) -> None:
    settings = s3_server.settings(s3_folder)
    wrong: list[tuple[dict[str, str], str]] = [
        ({"blob_url": "s3://no-such-bucket/x"}, "NoSuchBucket"),
        ({"blob_secret_key": "wrong"}, "SignatureDoesNotMatch"),
        ({"blob_endpoint": "http://127.0.0.1:1"}, "Could not connect"),
    ]
    for change, named in wrong:
        store = Blobs.of(Configuration(data=tmp_path, **(settings | change)))
        with pytest.raises(BlobStoreUnreachable, match=rf"can't be written .*{named}.*COILBENCH_BLOB_URL") as fault:
            store.ping()
        assert s3_server.secret_key not in str(fault.value)
        store.close()
    assert s3_server.keys(s3_folder) == []


def test_a_take_is_sent_measured_heard_and_deleted_and_leaves_nothing(
    far: Service, s3_server: S3Server, s3_folder: str, tmp_path: Path
) -> None:
    good = strums_wav()
    take = far.measured(good)
    assert take["state"] == "measured"
    assert len(s3_server.keys(s3_folder)) == 1
    audio = take["links"]["audio"]
    whole = far.client.get(audio, buffered=True)
    assert (whole.status_code, whole.data, whole.mimetype) == (200, good, "audio/wav")
    parts = {"bytes=100-299": good[100:300], "bytes=-50": good[-50:], "bytes=70000-": good[70000:]}
    for asked, part in parts.items():
        answer = far.client.get(audio, headers={"Range": asked}, buffered=True)
        assert (answer.status_code, answer.data) == (206, part)
        assert answer.content_range.length == len(good)
    assert far.client.head(audio).headers["Content-Length"] == str(len(good))
    assert_problem(far.client.get(audio, headers={"Range": f"bytes={len(good)}-"}), 416, "range-not-satisfiable")
    assert far.client.delete(take["links"]["self"]).status_code == 204
    assert s3_server.keys(s3_folder) == []
    assert {path.name.partition(".")[0] for path in files(tmp_path)} == {"coilbench"}


def test_a_recording_that_is_gone_from_the_store_fails_its_take_with_what_to_do(
    far: Service, s3_server: S3Server, s3_folder: str
) -> None:
    take = far.sent(strums_wav())
    (key,) = s3_server.keys(s3_folder)
    far.bench.blobs.delete(key)
    assert [far.work() for _ in range(3)] == [["handed-back"], ["handed-back"], ["failed"]]
    found = far.client.get(take["links"]["self"]).json
    assert (found["state"], found["problem"]["type"]) == ("failed", "/problems/recording-lost")
