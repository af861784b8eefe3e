"""The order of locks: the take first, then its jobs. Two transactions that keep to it can't wait for each other."""

from __future__ import annotations

from typing import NamedTuple

from sqlalchemy import Connection, select

from coilbench_worker.store.schema import files, jobs, takes


class JobsTake(NamedTuple):
    """The take of a job: its id, and key and size of its recording."""

    id: str
    blob: str
    bytes: int


def lock_take(connection: Connection, take_id: str) -> None:
    """Lock the take's row until the end of the transaction; on SQLite a writer has the whole database anyway."""
    if connection.dialect.name != "sqlite":
        connection.execute(select(takes.c.id).where(takes.c.id == take_id).with_for_update())


def lock_take_of(connection: Connection, job_id: str) -> JobsTake | None:
    """Lock the row of the job's take; returns the take, or None when there is no such job."""
    query = (
        select(takes.c.id, files.c.blob, files.c.bytes)
        .join(jobs, jobs.c.take_id == takes.c.id)
        .join(files, files.c.sha256 == takes.c.file_sha256)
        .where(jobs.c.id == job_id)
        .with_for_update(of=takes)
    )
    row = connection.execute(query).one_or_none()
    return None if row is None else JobsTake(row.id, row.blob, row.bytes)
