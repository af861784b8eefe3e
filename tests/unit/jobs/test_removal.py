from __future__ import annotations

import threading

import pytest
from sqlalchemy import func, select

from arrivals import arrive
from coilbench_worker import jobs
from coilbench_worker.store import files, takes
from coilbench_worker.store.blobs import Blobs
from coilbench_worker.store.database import Database
from coilbench_worker.store.schema import metadata
from coilbench_worker.store.takes import TakeRecord

# What a sender is given to get in where he must not.
HELD_UP_S = 0.5


def rows(database: Database) -> dict[str, int]:
    with database.read() as connection:
        return {
            name: connection.execute(select(func.count()).select_from(table)).scalar_one()
            for name, table in metadata.tables.items()
            if name != "installation"
        }


def test_a_deleted_take_leaves_nothing_behind(database: Database, blobs: Blobs) -> None:
    take = arrive(database, blobs)
    assert take.job_id is not None
    held = jobs.claim(database, take.job_id, "node/1", lease_s=60, max_attempts=3)
    assert held is not None
    jobs.finish(database, held, {"version": "1"})
    assert jobs.remove(database, blobs, take.id)
    assert set(rows(database).values()) == {0}
    assert not blobs.exists(take.blob)
    assert not jobs.remove(database, blobs, take.id)


def test_a_take_is_deleted_though_its_recording_can_not_be_now(
    database: Database, blobs: Blobs, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(_: object, key: str) -> None:
        raise OSError(f"{key} is out of reach")

    take = arrive(database, blobs)
    with monkeypatch.context() as away:
        away.setattr(Blobs, "delete", refuse)
        assert jobs.remove(database, blobs, take.id) is not None
    assert {name for name, number in rows(database).items() if number} == {"files"}
    assert files.drop_unused(database, blobs, unused_for_s=60) == 1, "the grace period is for what nobody deleted"
    assert not blobs.exists(take.blob)


def test_a_take_is_deleted_only_in_the_state_that_was_asked_for(database: Database, blobs: Blobs) -> None:
    """What is asked is held against the locked take: a description that came since the caller looked is not lost."""
    take = arrive(database, blobs)
    seen: list[TakeRecord] = []

    def refuse(found: TakeRecord) -> None:
        seen.append(found)
        raise ValueError("not in this state")

    with pytest.raises(ValueError, match="not in this state"):
        jobs.remove(database, blobs, take.id, refuse)
    assert seen == [take]
    with database.read() as connection:
        assert takes.get(connection, take.id) == take
    assert blobs.exists(take.blob)


def test_a_recording_stays_while_another_take_uses_it(database: Database, blobs: Blobs) -> None:
    first, second = arrive(database, blobs), arrive(database, blobs)
    assert first.blob == second.blob
    jobs.remove(database, blobs, first.id)
    assert blobs.exists(second.blob)
    jobs.remove(database, blobs, second.id)
    assert not blobs.exists(second.blob)


def test_a_take_deleted_while_it_is_measured_keeps_nothing(database: Database, blobs: Blobs) -> None:
    take = arrive(database, blobs)
    assert take.job_id is not None
    held = jobs.claim(database, take.job_id, "node/1", lease_s=60, max_attempts=3)
    assert held is not None
    jobs.remove(database, blobs, take.id)
    assert not jobs.extend(database, held, lease_s=60)
    assert not jobs.finish(database, held, {"version": "1"})
    assert rows(database)["measurements"] == 0


def test_a_crash_between_rows_and_recording_is_made_good_later(database: Database, blobs: Blobs) -> None:
    take = arrive(database, blobs)
    with database.write() as connection:
        assert takes.delete(connection, take.id)
    assert blobs.exists(take.blob)
    assert files.drop_unused(database, blobs) == 1
    assert not blobs.exists(take.blob)


def test_a_recording_that_arrives_again_while_it_is_deleted_is_there_afterwards(
    database: Database, blobs: Blobs, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The one who sends has to wait for the one who deletes; were he let in, his recording would be deleted."""
    first = arrive(database, blobs)
    arrived: list[TakeRecord] = []
    sender = threading.Thread(target=lambda: arrived.append(arrive(database, blobs)))
    delete = Blobs.delete

    def delete_while_another_sends(store: Blobs, key: str) -> None:
        sender.start()
        sender.join(HELD_UP_S)
        delete(store, key)

    monkeypatch.setattr(Blobs, "delete", delete_while_another_sends)
    assert jobs.remove(database, blobs, first.id)
    sender.join()
    assert blobs.exists(arrived[0].blob)


def test_deleting_and_sending_the_same_recording_at_once_never_loses_it(database: Database, blobs: Blobs) -> None:
    """The recording of every take that is there must be there, whatever the order of the two."""
    faults: list[str] = []
    together = threading.Barrier(4)

    def come_and_go() -> None:
        together.wait()
        for _ in range(12):
            take = arrive(database, blobs, b"the same for all")
            if not blobs.exists(take.blob):
                faults.append(f"the recording of {take.id} is gone")
            jobs.remove(database, blobs, take.id)

    threads = [threading.Thread(target=come_and_go) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert faults == []
    assert rows(database)["takes"] == 0
