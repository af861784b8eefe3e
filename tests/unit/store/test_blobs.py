from __future__ import annotations

import hashlib
import os
import threading
import uuid
from collections.abc import Iterator
from pathlib import Path

import fsspec
import pytest

from coilbench_worker.store.blobs import Blobs, BlobStoreUnreachable

CONTENT = b"RIFF and so on" * 1000


@pytest.fixture(params=["folder", "far"])
def store(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Blobs]:
    """A folder, and a store that has no files on this machine (fsspec's own in memory)."""
    if request.param == "folder":
        yield Blobs(str(tmp_path / "audio"))
        return
    root = f"/{uuid.uuid4().hex}"
    yield Blobs(f"memory:/{root}")
    fsspec.filesystem("memory").rm(root, recursive=True) if fsspec.filesystem("memory").exists(root) else None


def keep(store: Blobs, content: bytes) -> str:
    with store.incoming() as incoming:
        incoming.write(content)
        return incoming.keep()


def test_what_is_kept_is_found_by_its_content(store: Blobs) -> None:
    with store.incoming() as incoming:
        for start in range(0, len(CONTENT), 1000):
            incoming.write(CONTENT[start : start + 1000])
        key = incoming.keep()
        assert (incoming.size, incoming.sha256) == (len(CONTENT), hashlib.sha256(CONTENT).hexdigest())
    assert key == f"{incoming.sha256[:2]}/{incoming.sha256}"
    with store.open(key) as file:
        assert file.read() == CONTENT
        file.seek(5)
        assert file.read(3) == CONTENT[5:8]
    with store.local_path(key) as path:
        assert path.read_bytes() == CONTENT


def test_what_is_not_kept_leaves_nothing(store: Blobs, tmp_path: Path) -> None:
    with store.incoming() as incoming:
        incoming.write(CONTENT)
        key = incoming.key
    assert not store.exists(key)
    assert [path for path in tmp_path.rglob("*") if path.is_file()] == []


def test_an_upload_that_breaks_off_leaves_nothing(tmp_path: Path) -> None:
    store = Blobs(str(tmp_path / "audio"))

    def break_off() -> None:
        with store.incoming() as incoming:
            incoming.write(CONTENT)
            raise ConnectionError

    with pytest.raises(ConnectionError):
        break_off()
    assert [path for path in tmp_path.rglob("*") if path.is_file()] == []


def test_keeping_twice_and_the_same_content_twice_is_one_blob(store: Blobs) -> None:
    with store.incoming() as incoming:
        incoming.write(CONTENT)
        assert incoming.keep() == incoming.keep() == keep(store, CONTENT)
    assert store.exists(incoming.key)


def test_an_incoming_recording_can_be_looked_into_while_it_is_written(store: Blobs) -> None:
    with store.incoming() as incoming:
        incoming.write(b"RIFF")
        incoming.file.seek(0)
        assert incoming.file.read(2) == b"RI"
        incoming.write(b"WAVE")
        incoming.file.seek(0)
        assert incoming.file.read() == b"RIFFWAVE"
        assert incoming.sha256 == hashlib.sha256(b"RIFFWAVE").hexdigest()


def test_a_sealed_recording_takes_no_more(store: Blobs) -> None:
    with store.incoming() as incoming:
        incoming.write(b"RIFF")
        incoming.seal()
        with pytest.raises(ValueError, match="sealed"):
            incoming.write(b"WAVE")


def test_a_blob_is_deleted_once_and_again(store: Blobs) -> None:
    key = keep(store, CONTENT)
    store.delete(key)
    store.delete(key)
    assert not store.exists(key)
    with pytest.raises(FileNotFoundError), store.open(key):
        pass


@pytest.mark.parametrize("name", ["../../outside", "/etc/hosts", "ab/../../x", "ab", "", "AB/" + "0" * 64])
def test_what_is_not_a_key_never_becomes_a_path(store: Blobs, name: str) -> None:
    for act in (store.open, store.exists, store.delete):
        with pytest.raises(ValueError, match="is not the key of a blob"):
            act(name)


def test_many_keep_the_same_content_at_once(tmp_path: Path) -> None:
    store = Blobs(str(tmp_path / "audio"))
    keys: list[str] = []
    threads = [threading.Thread(target=lambda: keys.append(keep(store, CONTENT))) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(keys) == 8
    assert len(set(keys)) == 1
    with store.open(keys[0]) as file:
        assert file.read() == CONTENT


def test_what_an_interrupted_process_left_is_cleared_away_later(tmp_path: Path) -> None:
    store = Blobs(str(tmp_path / "audio"))
    keep(store, CONTENT)
    old, fresh = tmp_path / "audio/incoming/a.part", tmp_path / "audio/incoming/b.part"
    old.write_bytes(b"x")
    fresh.write_bytes(b"y")
    os.utime(old, (0, 0))
    assert store.drop_stale() == 1
    assert (old.exists(), fresh.exists()) == (False, True)


def test_a_store_that_can_be_written_answers_and_leaves_nothing(store: Blobs, tmp_path: Path) -> None:
    store.ping()
    assert [path for path in tmp_path.rglob("*") if path.is_file()] == []


def test_a_store_that_can_not_be_written_is_named_with_what_to_look_at(tmp_path: Path) -> None:
    (tmp_path / "audio").write_bytes(b"a file where the folder should be")
    with pytest.raises(BlobStoreUnreachable, match=r"audio can't be written .*COILBENCH_BLOB_URL"):
        Blobs(str(tmp_path / "audio")).ping()
