"""A measurement ends: measured, rejected or failed. Each is one guarded transaction: a late one changes nothing."""

from __future__ import annotations

from typing import Any

from sqlalchemy import Connection, update
from sqlalchemy.dialects import postgresql, sqlite

from coilbench_worker.jobs.claim import Claim
from coilbench_worker.jobs.locks import lock_take
from coilbench_worker.store import clock, deliveries
from coilbench_worker.store.database import Database
from coilbench_worker.store.identity import new_id
from coilbench_worker.store.schema import jobs, measurements, takes
from coilbench_worker.store.states import FAILED, MEASURED, MEASURING, REJECTED


def finish(database: Database, held: Claim, document: dict[str, Any]) -> bool:
    """Keep the measurement; False when the claim no longer holds: nothing is changed.

    Parameters
    ----------
    document : with its `version`; its `traces`, if it has any, are kept beside it, also where the same measurement was
        made before there were any
    """
    kept = {name: value for name, value in document.items() if name != "traces"}
    traces = document.get("traces")
    with database.write() as connection:
        if not end(connection, held, MEASURED, None):
            return False
        insert = postgresql.insert if connection.dialect.name == "postgresql" else sqlite.insert
        row = insert(measurements).values(
            id=new_id(),
            take_id=held.take_id,
            settings_key=held.settings_key,
            version=kept["version"],
            made=clock.now(connection),
            document=kept,
            traces=traces,
        )
        unique = ["take_id", "settings_key", "version"]
        if traces is None:
            connection.execute(row.on_conflict_do_nothing(index_elements=unique))
        else:
            without = measurements.c.traces.is_(None)
            connection.execute(
                row.on_conflict_do_update(index_elements=unique, set_={"traces": row.excluded.traces}, where=without)
            )
        return True


def reject(database: Database, held: Claim, problem: dict[str, Any]) -> bool:
    """The recording can't be measured; `problem` says why and what to do. False when the claim no longer holds."""
    with database.write() as connection:
        return end(connection, held, REJECTED, problem)


def fail(database: Database, held: Claim, problem: dict[str, Any]) -> bool:
    """The program could not measure it; `problem` refers to the log. False when the claim no longer holds."""
    with database.write() as connection:
        return end(connection, held, FAILED, problem)


def end(connection: Connection, held: Claim, state: str, problem: dict[str, Any] | None) -> bool:
    """Bring job and take to a final state, if the job is still `measuring` at the claim's attempt."""
    lock_take(connection, held.take_id)
    instant = clock.now(connection)
    ended = connection.execute(
        update(jobs)
        .where(jobs.c.id == held.job_id, jobs.c.state == MEASURING, jobs.c.attempt == held.attempt)
        .values(state=state, finished=instant, lease_until=None)
    )
    if ended.rowcount != 1:
        return False
    connection.execute(
        update(takes)
        .where(takes.c.id == held.take_id, takes.c.job_id == held.job_id)
        .values(state=state, problem=problem, updated=instant)
    )
    deliveries.enter(connection, held.take_id, state, problem, instant)
    return True
