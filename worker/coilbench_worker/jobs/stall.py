"""Whether takes wait although somebody should be measuring them."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import Connection, exists, select

from coilbench_worker.store.schema import jobs
from coilbench_worker.store.states import MEASURING, WAITING


def stalled_since(connection: Connection, before: datetime) -> datetime | None:
    """When the oldest waiting job came, if that was earlier than `before` and no job has moved since `before`.

    One look at an index; whether a job ended lately is looked up only where none is being measured at this moment.
    """
    oldest = (
        select(jobs.c.created)
        .where(jobs.c.state == WAITING, ~exists().where(jobs.c.state == MEASURING).correlate(None))
        .order_by(jobs.c.id)
        .limit(1)
    )
    created = connection.execute(oldest).scalar_one_or_none()
    if created is None or created >= before:
        return None
    ended_lately = connection.execute(select(exists().where(jobs.c.finished >= before))).scalar_one()
    return None if ended_lately else created
