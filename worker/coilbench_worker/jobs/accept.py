"""A recording arrives: take, file and job in the caller's transaction, the blob in place before its commit."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from sqlalchemy import Connection, insert
from structlog.contextvars import get_contextvars

from coilbench_worker.jobs.settings import Settings
from coilbench_worker.store import clock, files
from coilbench_worker.store.blobs import Incoming
from coilbench_worker.store.identity import new_id
from coilbench_worker.store.schema import jobs, takes
from coilbench_worker.store.states import WAITING
from coilbench_worker.store.takes import TakeRecord, copies, get
from coilbench_worker.store.text import storable


def accept(
    connection: Connection, *, file: Incoming, file_name: str, about: Mapping[str, Any], settings: Settings
) -> TakeRecord:
    """Enter a take, `waiting`, with its job; the caller publishes `TakeRecord.job_id` after the commit.

    Parameters
    ----------
    connection : of `Database.write()`; the take is accepted when its block ends
    file : written whole; kept here. Call `file.seal()` before the transaction, so that it stays short
    file_name : as the sender calls it; shown, never used as a path
    """
    instant = clock.now(connection)
    sha256 = files.enter(connection, file)
    take_id, job_id = new_id(), new_id()
    connection.execute(
        insert(takes).values(
            id=take_id,
            created=instant,
            updated=instant,
            state=WAITING,
            file_name=storable(file_name),
            file_sha256=sha256,
            about=dict(about),
            settings=settings.to_document(),
            settings_key=settings.key(),
            problem=None,
            job_id=job_id,
            **copies(about),
        )
    )
    enter_job(connection, job_id, take_id, settings)
    take = get(connection, take_id)
    assert take is not None  # entered above, in this transaction
    return take


def enter_job(connection: Connection, job_id: str, take_id: str, settings: Settings) -> None:
    """Enter a job, `waiting`, noted as published: the caller does that next, and takes the note back if it fails.

    It keeps the `request_id` of the log's context, so that the worker's lines can be found by it.
    """
    instant = clock.now(connection)
    connection.execute(
        insert(jobs).values(
            id=job_id,
            take_id=take_id,
            settings=settings.to_document(),
            settings_key=settings.key(),
            state=WAITING,
            attempt=0,
            returned=0,
            published=instant,
            created=instant,
            request_id=get_contextvars().get("request_id"),
        )
    )
