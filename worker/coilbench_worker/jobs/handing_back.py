"""A worker gives a job back: it stops, or something it needs can't be reached just now."""

from __future__ import annotations

from sqlalchemy import ColumnElement, Connection, func, or_, select, update

from coilbench_worker.jobs.claim import Claim
from coilbench_worker.jobs.locks import lock_take
from coilbench_worker.store import clock
from coilbench_worker.store.database import Database
from coilbench_worker.store.schema import jobs, takes
from coilbench_worker.store.states import MEASURING, WAITING


def hand_back(database: Database, held: Claim, *, counts: bool = True) -> bool:
    """Job and take are `waiting` again; False when the claim no longer holds.

    Parameters
    ----------
    counts : whether this uses up one of the job's attempts (a passing fault does, and the job is announced again only
        after a pause; a clean stop does not, and it is announced again as soon as anyone looks)
    """
    with database.write() as connection:
        return _hand_back(connection, held.job_id, held.take_id, held.attempt, counts=counts)


def hand_back_all(database: Database, worker: str, *, counts: bool = False) -> int:
    """Hand back what a worker and its processes (`worker/...`), or one process, still hold; returns how many.

    Parameters
    ----------
    counts : whether this uses up an attempt, as in `hand_back`
    """
    with database.read() as connection:
        found = connection.execute(
            select(jobs.c.id, jobs.c.take_id, jobs.c.attempt).where(jobs.c.state == MEASURING, _of(worker))
        ).all()
    returned = 0
    for job_id, take_id, attempt in found:
        with database.write() as connection:
            returned += _hand_back(connection, job_id, take_id, attempt, counts=counts)
    return returned


def held(database: Database, worker: str) -> int:
    """How many jobs the worker's processes, or one process, hold."""
    with database.read() as connection:
        query = select(func.count()).select_from(jobs).where(jobs.c.state == MEASURING, _of(worker))
        return connection.execute(query).scalar_one()


def _of(worker: str) -> ColumnElement[bool]:
    return or_(jobs.c.worker == worker, jobs.c.worker.startswith(f"{worker}/", autoescape=True))


def _hand_back(connection: Connection, job_id: str, take_id: str, attempt: int, *, counts: bool) -> bool:
    lock_take(connection, take_id)
    instant = clock.now(connection)
    changed = connection.execute(
        update(jobs)
        .where(jobs.c.id == job_id, jobs.c.state == MEASURING, jobs.c.attempt == attempt)
        .values(
            state=WAITING,
            lease_until=None,
            worker=None,
            returned=jobs.c.returned + (0 if counts else 1),
            published=instant if counts else None,
        )
    )
    if changed.rowcount != 1:
        return False
    connection.execute(
        update(takes).where(takes.c.id == take_id, takes.c.job_id == job_id).values(state=WAITING, updated=instant)
    )
    return True
