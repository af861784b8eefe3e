"""What waits, what failed and what nobody reports of, for those who look after the service."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta

from sqlalchemy import Connection, func, select

from coilbench_worker.store import clock
from coilbench_worker.store.schema import jobs, takes
from coilbench_worker.store.states import FAILED, MEASURING, WAITING

MOST_LOOKED_AT = 1000


@dataclass(frozen=True)
class Failures:
    """Of the takes that are `failed`: how many ended lately (1000 at most are looked at), and by which problem types,
    most frequent first.
    """

    number: int
    reasons: tuple[tuple[str, int], ...]


def oldest_waiting_s(connection: Connection) -> float:
    """How long ago the job at the head of the queue was entered, s; 0 when none waits."""
    head = select(jobs.c.created).where(jobs.c.state == WAITING).order_by(jobs.c.id).limit(1)
    created = connection.execute(head).scalar_one_or_none()
    return 0.0 if created is None else max(0.0, (clock.now(connection) - created).total_seconds())


def failed_lately(connection: Connection, within: timedelta) -> Failures:
    """Takes that failed within that time and were not measured since."""
    since = clock.now(connection) - within
    query = (
        select(takes.c.problem)
        .where(takes.c.state == FAILED, takes.c.updated >= since)
        .order_by(takes.c.id.desc())
        .limit(MOST_LOOKED_AT)
    )
    counts: dict[str, int] = {}
    for problem in connection.execute(query).scalars():
        name = str((problem or {}).get("type", "unknown")).rpartition("/")[2]
        counts[name] = counts.get(name, 0) + 1
    return Failures(sum(counts.values()), tuple(sorted(counts.items(), key=lambda item: (-item[1], item[0]))))


def leases_run_out(connection: Connection, lease_s: float) -> int:
    """Jobs that are `measuring` although their lease has run out a whole `lease_s` ago."""
    before = clock.now(connection) - timedelta(seconds=lease_s)
    query = select(func.count()).select_from(jobs).where(jobs.c.state == MEASURING, jobs.c.lease_until < before)
    return int(connection.execute(query).scalar_one())
