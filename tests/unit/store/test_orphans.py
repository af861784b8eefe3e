"""Recordings that no row refers to: found, given their time, dropped; and never one that a take is entered for."""

from __future__ import annotations

import hashlib
import os
import threading
from pathlib import Path

import pytest

from arrivals import arrive
from coilbench_worker import jobs
from coilbench_worker.configuration import Configuration
from coilbench_worker.store import files, takes
from coilbench_worker.store.blobs import Blobs, Incoming
from coilbench_worker.store.database import Database
from coilbench_worker.store.orphans import Orphans
from coilbench_worker.store.takes import TakeFilter, TakeRecord
from moved_clock import moved_clock
from services import S3Server

GRACE_S = 3600.0
HELD_UP_S = 0.3


class PowerCut(BaseException):
    """The process ends here."""


def key_of(content: bytes) -> str:
    sha256 = hashlib.sha256(content).hexdigest()
    return f"{sha256[:2]}/{sha256}"


def lost(blobs: Blobs, content: bytes) -> str:
    """A recording in the store that nothing refers to."""
    with blobs.incoming() as incoming:
        incoming.write(content)
        return incoming.keep()


def swept(database: Database, blobs: Blobs, later_s: float = 0.0) -> int:
    """What housekeeping does, so much later."""
    with moved_clock(later_s):
        Orphans(database, blobs).find(settled_s=0)
        return files.drop_unused(database, blobs, unused_for_s=GRACE_S)


def test_a_process_that_dies_between_recording_and_commit_leaves_nothing_for_ever(
    database: Database, blobs: Blobs, monkeypatch: pytest.MonkeyPatch
) -> None:
    keep = Incoming.keep

    def keep_and_die(incoming: Incoming) -> str:
        keep(incoming)
        raise PowerCut

    monkeypatch.setattr(Incoming, "keep", keep_and_die)
    with pytest.raises(PowerCut):
        arrive(database, blobs, b"cut off")
    assert blobs.exists(key_of(b"cut off"))
    with database.read() as connection:
        assert takes.count(connection, TakeFilter()) == 0
    assert swept(database, blobs) == 0
    assert swept(database, blobs, GRACE_S / 2) == 0
    assert blobs.exists(key_of(b"cut off"))
    assert swept(database, blobs, GRACE_S + 1) == 1
    assert not blobs.exists(key_of(b"cut off"))


def test_recordings_of_takes_and_what_is_not_ours_are_left_alone(
    database: Database, blobs: Blobs, tmp_path: Path
) -> None:
    take = arrive(database, blobs)
    strange = [tmp_path / "audio" / name for name in ("notes.txt", "ab/notes.txt", f"cd/{'0' * 64}")]
    for path in strange:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text("not a recording of ours")
    assert swept(database, blobs) == 0
    assert swept(database, blobs, GRACE_S + 1) == 0
    assert blobs.exists(take.blob)
    assert all(path.exists() for path in strange)


def test_what_just_came_into_the_store_is_not_looked_at(database: Database, blobs: Blobs, tmp_path: Path) -> None:
    key = lost(blobs, b"about to be committed")
    orphans = Orphans(database, blobs)
    assert orphans.find() == 0
    os.utime(tmp_path / "audio" / key, (0, 0))
    assert orphans.find() == 1


def test_the_store_is_gone_through_some_at_a_time(database: Database, blobs: Blobs) -> None:
    for number in range(7):
        lost(blobs, str(number).encode())
    orphans = Orphans(database, blobs)
    assert [orphans.find(settled_s=0, at_most=3) for _ in range(3)] == [3, 3, 1]
    assert orphans.find(settled_s=0) == 0, "those that were entered are known now"


def test_a_store_that_is_slow_to_say_what_it_has_keeps_nobody_from_writing(
    database: Database, blobs: Blobs, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On SQLite a writer has the whole database, and others wait for it 5 s at most."""
    key = lost(blobs, b"far away")
    size = Blobs.size

    def size_while_another_sends(store: Blobs, asked: str) -> int | None:
        arrive(database, blobs)
        return size(store, asked)

    monkeypatch.setattr(Blobs, "size", size_while_another_sends)
    assert Orphans(database, blobs).find(settled_s=0) == 1
    assert blobs.exists(key)


def test_a_found_recording_that_is_sent_after_all_stays(database: Database, blobs: Blobs) -> None:
    lost(blobs, b"sent again")
    assert swept(database, blobs) == 0
    take = arrive(database, blobs, b"sent again")
    assert swept(database, blobs, GRACE_S + 1) == 0
    assert (take.bytes, blobs.exists(take.blob)) == (10, True)


def test_a_recording_that_arrives_while_it_is_swept_is_there_afterwards(
    database: Database, blobs: Blobs, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The sender waits for the sweeper; were he let in between look and deletion, his recording would be deleted."""
    lost(blobs, b"strum")
    swept(database, blobs)
    arrived: list[TakeRecord] = []
    sender = threading.Thread(target=lambda: arrived.append(arrive(database, blobs)))
    delete = Blobs.delete

    def delete_while_another_sends(store: Blobs, key: str) -> None:
        sender.start()
        sender.join(HELD_UP_S)
        delete(store, key)

    monkeypatch.setattr(Blobs, "delete", delete_while_another_sends)
    assert swept(database, blobs, GRACE_S + 1) == 1
    sender.join()
    assert blobs.exists(arrived[0].blob)


def test_a_recording_that_is_found_while_it_is_entered_is_not_taken_for_an_orphan(
    database: Database, blobs: Blobs, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its blob is in place and its row not committed: the finder has to wait for that, and then knows it."""
    found: list[int] = []
    finder = threading.Thread(target=lambda: found.append(Orphans(database, blobs).find(settled_s=0)))
    keep = Incoming.keep

    def keep_while_another_looks(incoming: Incoming) -> str:
        key = keep(incoming)
        finder.start()
        finder.join(HELD_UP_S)
        return key

    monkeypatch.setattr(Incoming, "keep", keep_while_another_looks)
    take = arrive(database, blobs)
    finder.join()
    assert found == [0]
    assert swept(database, blobs, GRACE_S + 1) == 0
    assert blobs.exists(take.blob)


def test_sending_deleting_and_sweeping_the_same_recording_at_once_never_loses_it(
    database: Database, blobs: Blobs
) -> None:
    faults: list[str] = []
    over = threading.Event()

    def sweep() -> None:
        while not over.is_set():
            Orphans(database, blobs).find(settled_s=0)
            files.drop_unused(database, blobs)

    def come_and_go() -> None:
        for _ in range(10):
            take = arrive(database, blobs, b"the same for all")
            if not blobs.exists(take.blob):
                faults.append(f"the recording of {take.id} is gone")
            jobs.remove(database, blobs, take.id)

    sweeper = threading.Thread(target=sweep)
    senders = [threading.Thread(target=come_and_go) for _ in range(2)]
    for thread in (sweeper, *senders):
        thread.start()
    for thread in senders:
        thread.join()
    over.set()
    sweeper.join()
    assert faults == []


def test_what_is_lost_in_a_bucket_is_found_and_dropped_as_well(
    sqlite_url: str, s3_server: S3Server, s3_folder: str, tmp_path: Path
) -> None:
    blobs = Blobs.of(Configuration(data=tmp_path, **s3_server.settings(s3_folder)))
    database = Database(sqlite_url)
    database.migrate()
    kept, orphan = arrive(database, blobs, b"kept").blob, lost(blobs, b"lost")
    orphans = Orphans(database, blobs)
    assert orphans.find() == 0, "both came just now"
    assert orphans.find(settled_s=-60) == 1
    with moved_clock(GRACE_S + 1):
        assert files.drop_unused(database, blobs, unused_for_s=GRACE_S) == 1
    assert [blobs.exists(key) for key in (kept, orphan)] == [True, False]
    blobs.close()
    database.close()
