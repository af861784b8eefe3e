"""Measure a take again, with other settings or with a newer version of the measuring code."""

from __future__ import annotations

from sqlalchemy import Connection, exists, select, update

from coilbench_worker.jobs.accept import enter_job
from coilbench_worker.jobs.locks import lock_take
from coilbench_worker.jobs.settings import Settings
from coilbench_worker.store import clock, deliveries
from coilbench_worker.store.identity import new_id
from coilbench_worker.store.schema import jobs, measurements, takes
from coilbench_worker.store.states import MEASURED, MEASURING, SUPERSEDED, WAITING
from coilbench_worker.store.takes import TakeRecord, get


class NoSuchTake(LookupError):
    """There is no take of that id."""


def request(connection: Connection, take_id: str, settings: Settings, *, version: str) -> TakeRecord:
    """Give the take these settings, and a job when there is something to measure.

    Measured already with these settings and this `version` of the measuring code, traces kept: `measured` at once, no
    job. Waiting or being measured with these settings: as it is. Otherwise `waiting`; the caller publishes
    `TakeRecord.job_id` after the commit, when the state is `waiting`.

    Raises
    ------
    NoSuchTake : there is no take of that id
    """
    lock_take(connection, take_id)
    take = get(connection, take_id)
    if take is None:
        raise NoSuchTake(take_id)
    key = settings.key()
    if take.state in (WAITING, MEASURING) and take.settings_key == key:
        return take
    instant = clock.now(connection)
    connection.execute(
        update(jobs)
        .where(jobs.c.take_id == take_id, jobs.c.state.in_((WAITING, MEASURING)))
        .values(state=SUPERSEDED, finished=instant, lease_until=None)
    )
    there = connection.execute(
        select(
            exists().where(
                measurements.c.take_id == take_id,
                measurements.c.settings_key == key,
                measurements.c.version == version,
                measurements.c.traces.is_not(None),
            )
        )
    ).scalar_one()
    job_id = None if there else new_id()
    connection.execute(
        update(takes)
        .where(takes.c.id == take_id)
        .values(
            state=MEASURED if there else WAITING,
            settings=settings.to_document(),
            settings_key=key,
            problem=None,
            job_id=job_id,
            updated=instant,
        )
    )
    if job_id is not None:
        enter_job(connection, job_id, take_id, settings)
    elif take.state != MEASURED or take.settings_key != key:
        deliveries.enter(connection, take_id, MEASURED, None, instant)
    changed = get(connection, take_id)
    assert changed is not None  # its row is locked
    return changed
