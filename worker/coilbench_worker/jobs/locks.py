"""The order of locks: the take first, then its jobs. Two transactions that keep to it can't wait for each other."""

from __future__ import annotations

from sqlalchemy import Connection, select

from coilbench_worker.store.schema import jobs, takes


def lock_take(connection: Connection, take_id: str) -> None:
    """Lock the take's row until the end of the transaction (on SQLite a writer has the whole database anyway)."""
    connection.execute(select(takes.c.id).where(takes.c.id == take_id).with_for_update())


def lock_take_of(connection: Connection, job_id: str) -> str | None:
    """Lock the row of the job's take; returns the take's id, or None when there is no such job."""
    take_id: str | None = connection.execute(select(jobs.c.take_id).where(jobs.c.id == job_id)).scalar_one_or_none()
    if take_id is not None:
        lock_take(connection, take_id)
    return take_id
