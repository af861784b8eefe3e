from __future__ import annotations

import os
from pathlib import Path

import pytest

from arrivals import arrive
from coilbench_worker.configuration import Configuration
from coilbench_worker.jobs.housekeeping import Housekeeping
from coilbench_worker.store import idempotency, takes
from coilbench_worker.store.blobs import Blobs
from coilbench_worker.store.database import Database
from moved_clock import moved_clock

GRACE_S = 60.0
DAY_S = 86400.0


@pytest.fixture
def housekeeping(database: Database, tmp_path: Path) -> Housekeeping:
    return Housekeeping(Configuration(data=tmp_path, orphan_grace_s=GRACE_S), database)


def test_a_round_clears_away_what_has_no_use_and_nothing_else(
    database: Database, blobs: Blobs, tmp_path: Path, housekeeping: Housekeeping
) -> None:
    kept, deleted = arrive(database, blobs, b"kept"), arrive(database, blobs, b"deleted, and the process died then")
    with database.write() as connection:
        takes.delete(connection, deleted.id)
        assert idempotency.remember(connection, "key", "0" * 64, 202, {})
    leftover = tmp_path / "audio" / "incoming" / "left.part"
    with blobs.incoming() as incoming:
        incoming.write(b"nobody's")
        orphan = incoming.keep()
    leftover.write_bytes(b"half a rec")
    for path in (leftover, tmp_path / "audio" / orphan):
        os.utime(path, (0, 0))
    housekeeping.round()
    assert not leftover.exists()
    assert blobs.exists(deleted.blob), "it was entered just now"
    assert blobs.exists(orphan)
    with moved_clock(GRACE_S + 1):
        housekeeping.round()
    assert [blobs.exists(key) for key in (kept.blob, deleted.blob, orphan)] == [True, False, False]
    with moved_clock(DAY_S + 1):
        housekeeping.round()
    with database.read() as connection:
        assert idempotency.lookup(connection, "key") is None
        assert takes.get(connection, kept.id) == kept


def test_a_step_that_fails_keeps_no_other_from_being_made(
    database: Database, blobs: Blobs, housekeeping: Housekeeping, monkeypatch: pytest.MonkeyPatch
) -> None:
    deleted = arrive(database, blobs)
    with database.write() as connection:
        takes.delete(connection, deleted.id)

    def away(*_: object) -> None:
        raise OSError("the store is away")

    monkeypatch.setattr(Blobs, "drop_stale", away)
    monkeypatch.setattr(Blobs, "older_than", away)
    with moved_clock(GRACE_S + 1):
        housekeeping.round()
    assert not blobs.exists(deleted.blob)
