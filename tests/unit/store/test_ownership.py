"""A store of recordings has one owner, and nobody else deletes there."""

from __future__ import annotations

import threading
from pathlib import Path

import pytest
import structlog

from arrivals import arrive
from coilbench_worker import jobs
from coilbench_worker.store import files, ownership
from coilbench_worker.store.blobs import Blobs
from coilbench_worker.store.database import Database
from coilbench_worker.store.orphans import Orphans


@pytest.fixture
def other(tmp_path: Path) -> Database:
    """Another database, whose settings name the same store."""
    made = Database(f"sqlite:///{tmp_path / 'other.sqlite'}")
    made.migrate()
    return made


def test_another_database_takes_nothing_of_a_store_for_an_orphan(
    database: Database, blobs: Blobs, other: Database
) -> None:
    take = arrive(database, blobs)
    assert ownership.owned(database, blobs)
    with structlog.testing.capture_logs() as logs:
        assert Orphans(other, blobs).find(settled_s=-60) == 0
    assert "delete the object `owner`" in logs[0]["event"]
    assert files.drop_unused(other, blobs) == 0
    assert blobs.exists(take.blob)
    other.close()


def test_a_take_deleted_in_another_database_leaves_the_owners_recording(
    database: Database, blobs: Blobs, other: Database
) -> None:
    assert ownership.owned(database, blobs)
    mine, theirs = arrive(database, blobs, b"RIFF the same"), arrive(other, blobs, b"RIFF the same")
    assert mine.blob == theirs.blob
    assert jobs.remove(other, blobs, theirs.id)
    assert blobs.exists(mine.blob)
    assert jobs.remove(database, blobs, mine.id)
    assert not blobs.exists(mine.blob)
    other.close()


def test_a_store_without_a_mark_belongs_to_the_first_that_asks_and_to_it_alone(
    database: Database, blobs: Blobs, other: Database
) -> None:
    assert ownership.owned(other, blobs)
    assert not ownership.owned(database, blobs)
    assert ownership.owned(other, blobs)
    other.close()


def test_a_database_that_forgets_who_it_was_is_another(database: Database, blobs: Blobs) -> None:
    first = ownership.identity(database)
    assert ownership.owned(database, blobs)
    ownership.forget(database)
    assert ownership.identity(database) != first
    assert not ownership.owned(database, blobs)


def test_all_who_ask_at_once_for_the_first_time_hear_the_same(database: Database) -> None:
    heard: list[str] = []
    threads = [threading.Thread(target=lambda: heard.append(ownership.identity(database))) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(heard) == 4
    assert len(set(heard)) == 1
