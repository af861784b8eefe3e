"""What nobody is working on: leases that ran out, and takes the broker has lost or never heard of."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import ColumnElement, Connection, and_, or_, select, update

from coilbench_worker.jobs import problems
from coilbench_worker.jobs.locks import lock_take
from coilbench_worker.metrics import instruments
from coilbench_worker.store import clock, deliveries
from coilbench_worker.store.database import Database
from coilbench_worker.store.schema import jobs, takes
from coilbench_worker.store.states import FAILED, MEASURING, WAITING

# Jobs at the head of the queue that are looked at in one round. It bounds how many words per round a long but healthy
# queue hears twice, and is far more than is measured between two rounds.
HEAD_OF_QUEUE = 100


def due(
    database: Database,
    *,
    max_attempts: int,
    lease_s: float,
    republish_after_s: float,
    published_before: datetime | None = None,
    words: int = 0,
) -> list[str]:
    """Jobs to be announced now, oldest first; they are noted as published, so that one node gets each.

    Jobs whose lease ran out are `waiting` again, or `failed` when their attempts are used up.

    Parameters
    ----------
    published_before : also those last published before this (a broker that started empty then), however lately; an
        instant that is still to come, after a clock was set back, says nothing
    words : that wait at the broker. With as many as are looked at here, and one for each job that waits, only jobs
        whose word is known to be missing are announced: a queue that is long would fill the broker. With fewer than
        jobs, the words of some are lost, or they rest after a fault
    """
    expire(database, max_attempts=max_attempts, lease_s=lease_s)
    with database.write() as connection:
        instant = clock.now(connection)
        forgotten: ColumnElement[bool] = jobs.c.published.is_(None)
        if words < HEAD_OF_QUEUE or _more_wait(connection, words):
            forgotten = or_(forgotten, clock.past(jobs.c.published, instant, republish_after_s))
        if published_before is not None and published_before <= instant:
            forgotten = or_(forgotten, jobs.c.published < published_before)
        head = (
            select(jobs.c.id, forgotten.label("forgotten"))
            .where(jobs.c.state == WAITING)
            .order_by(jobs.c.id)
            .limit(HEAD_OF_QUEUE)
            .with_for_update(skip_locked=True)
        )
        found = [row.id for row in connection.execute(head) if row.forgotten]
        connection.execute(
            update(jobs).where(jobs.c.id.in_(found), jobs.c.state == WAITING, forgotten).values(published=instant)
        )
    return found


def _more_wait(connection: Connection, words: int) -> bool:
    """Whether more jobs wait than that."""
    one_more = select(jobs.c.id).where(jobs.c.state == WAITING).order_by(jobs.c.id).offset(words).limit(1)
    return connection.execute(one_more).first() is not None


def expire(database: Database, *, max_attempts: int, lease_s: float) -> int:
    """Take jobs from processes that stopped reporting, and give up those with no attempt left; returns how many."""

    def overdue(instant: datetime) -> ColumnElement[bool]:
        return or_(
            and_(jobs.c.state == MEASURING, clock.run_out(jobs.c.lease_until, instant, lease_s)),
            and_(jobs.c.state == WAITING, jobs.c.attempt - jobs.c.returned >= max_attempts),
        )

    with database.read() as connection:
        found = connection.execute(
            select(jobs.c.id, jobs.c.take_id, jobs.c.attempt, jobs.c.returned)
            .where(overdue(clock.now(connection)))
            .order_by(jobs.c.id)
        ).all()
    expired = 0
    for job_id, take_id, attempt, returned in found:
        given_up = attempt - returned >= max_attempts
        state = FAILED if given_up else WAITING
        problem = problems.given_up(job_id, attempt - returned) if given_up else None
        with database.write() as connection:
            lock_take(connection, take_id)
            # Anew: since it was found, or while others had the take, its lease may have been extended.
            instant = clock.now(connection)
            changed = connection.execute(
                update(jobs)
                .where(jobs.c.id == job_id, overdue(instant), jobs.c.attempt == attempt)
                .values(
                    state=state,
                    lease_until=None,
                    worker=None,
                    published=None,
                    finished=instant if given_up else None,
                )
            )
            if changed.rowcount == 1:
                expired += 1
                connection.execute(
                    update(takes)
                    .where(takes.c.id == take_id, takes.c.job_id == job_id)
                    .values(state=state, problem=problem, updated=instant)
                )
                if given_up:
                    deliveries.enter(connection, take_id, state, problem, instant)
        if given_up and changed.rowcount == 1:
            instruments().ended_as(state, problem)
    return expired
