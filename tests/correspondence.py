"""Call-backs for tests: made without asking the network, takes that end, and time that passes when a test says so."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import timedelta
from typing import Any

from sqlalchemy import update

from arrivals import arrive
from coilbench_worker import jobs
from coilbench_worker.callbacks.signature import new_secret
from coilbench_worker.store import callbacks, deliveries
from coilbench_worker.store.blobs import Blobs
from coilbench_worker.store.callbacks import CallbackRecord
from coilbench_worker.store.database import Database
from coilbench_worker.store.deliveries import DeliveryRecord
from coilbench_worker.store.instants import now
from coilbench_worker.store.schema import callbacks as callback_table
from coilbench_worker.store.schema import deliveries as delivery_table
from coilbench_worker.store.states import FINAL_STATES
from coilbench_worker.store.takes import TakeRecord

PROBLEM = {"type": "/problems/no-strums", "title": "No strums found", "status": 422, "detail": "Silence.", "advice": ""}
HOOK = "https://hooks.studio.example/take"


def call_back(
    database: Database, url: str = HOOK, *, states: Sequence[str] = FINAL_STATES, session: str | None = None
) -> CallbackRecord:
    """Enter a call-back, whatever its address."""
    with database.write() as connection:
        return callbacks.add(connection, url, new_secret(), states, session)


def claimed(database: Database, take: TakeRecord) -> jobs.Claim:
    """The claim of a take's job."""
    assert take.job_id is not None
    held = jobs.claim(database, take.job_id, "node/1", lease_s=60, max_attempts=3)
    assert held is not None
    return held


def end_take(
    database: Database, blobs: Blobs, about: Mapping[str, Any] | None = None, *, state: str = "measured"
) -> TakeRecord:
    """A take arrives and ends so."""
    take = arrive(database, blobs, about=about)
    held = claimed(database, take)
    if state == "measured":
        assert jobs.finish(database, held, {"version": "1", "strums": []})
    elif state == "rejected":
        assert jobs.reject(database, held, PROBLEM)
    else:
        assert jobs.fail(database, held, PROBLEM)
    return take


def told(database: Database, callback: CallbackRecord) -> list[DeliveryRecord]:
    """What was, or is to be, sent to a call-back, the oldest first."""
    with database.read() as connection:
        return deliveries.page(connection, callback.id, 500).items[::-1]


def known(database: Database, callback: CallbackRecord) -> CallbackRecord:
    """The call-back as it is now."""
    with database.read() as connection:
        found = callbacks.get(connection, callback.id)
    assert found is not None
    return found


def let_time_pass(database: Database) -> None:
    """Leases and rests run out, and what waits for another try is due."""
    with database.write() as connection:
        connection.execute(update(callback_table).values(rests_until=None))
        past = now() - timedelta(seconds=1)
        waiting = update(delivery_table).where(delivery_table.c.ended.is_(None))
        connection.execute(waiting.values(due=past))
