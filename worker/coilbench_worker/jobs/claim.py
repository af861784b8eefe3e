"""A worker takes a job: one guarded UPDATE that only one of many can win."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import Any

from sqlalchemy import and_, or_, update

from coilbench_worker.jobs.locks import lock_take_of
from coilbench_worker.store import clock
from coilbench_worker.store.database import Database
from coilbench_worker.store.schema import jobs, takes
from coilbench_worker.store.states import MEASURING, WAITING


@dataclass(frozen=True)
class Claim:
    """The right to measure one job; `attempt` is the fence that its result must pass.

    `tries` counts the attempts without those handed back by a stopping worker; `blob` is the recording's key;
    `waited_s` is how long ago the job was entered, s; `request_id` is of the request that asked for it, if one did.
    """

    job_id: str
    take_id: str
    attempt: int
    tries: int
    worker: str
    settings: dict[str, Any]
    settings_key: str
    blob: str
    bytes: int
    waited_s: float
    request_id: str | None


def claim(database: Database, job_id: str, worker: str, *, lease_s: float, max_attempts: int) -> Claim | None:
    """Claim the job for `worker`, with a lease; None when it is not to be had.

    To be had: `waiting`, or `measuring` with its lease run out, and not tried `max_attempts` times already.
    """
    with database.write() as connection:
        take = lock_take_of(connection, job_id)
        if take is None:
            return None
        instant = clock.now(connection)
        row = connection.execute(
            update(jobs)
            .where(
                jobs.c.id == job_id,
                or_(
                    jobs.c.state == WAITING,
                    and_(jobs.c.state == MEASURING, clock.run_out(jobs.c.lease_until, instant, lease_s)),
                ),
                jobs.c.attempt - jobs.c.returned < max_attempts,
            )
            .values(
                state=MEASURING,
                attempt=jobs.c.attempt + 1,
                lease_until=instant + timedelta(seconds=lease_s),
                worker=worker,
            )
            .returning(
                jobs.c.attempt,
                jobs.c.returned,
                jobs.c.settings,
                jobs.c.settings_key,
                jobs.c.created,
                jobs.c.request_id,
            )
        ).one_or_none()
        if row is None:
            return None
        connection.execute(
            update(takes)
            .where(takes.c.id == take.id, takes.c.job_id == job_id)
            .values(state=MEASURING, updated=instant)
        )
    return Claim(
        job_id=job_id,
        take_id=take.id,
        attempt=row.attempt,
        tries=row.attempt - row.returned,
        worker=worker,
        settings=row.settings,
        settings_key=row.settings_key,
        blob=take.blob,
        bytes=take.bytes,
        waited_s=max(0.0, (instant - row.created).total_seconds()),
        request_id=row.request_id,
    )


def extend(database: Database, held: Claim, *, lease_s: float) -> bool:
    """Extend the lease; False when the claim no longer holds (taken over, superseded, deleted)."""
    with database.write() as connection:
        extended = connection.execute(
            update(jobs)
            .where(jobs.c.id == held.job_id, jobs.c.state == MEASURING, jobs.c.attempt == held.attempt)
            .values(lease_until=clock.now(connection) + timedelta(seconds=lease_s))
        )
    return extended.rowcount == 1
