"""Workers that are there: each reports every few seconds, so that the service can say whether anything measures."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import Connection, delete, insert, select, update

from coilbench_worker.store import clock
from coilbench_worker.store.schema import nodes

FORGOTTEN_AFTER = timedelta(days=1)


@dataclass(frozen=True)
class Node:
    """One worker: its name, how many processes measure, when it started and last reported."""

    name: str
    processes: int
    started: datetime
    seen: datetime


def report(connection: Connection, name: str, processes: int) -> None:
    """Say that the worker is there; the first report enters it and forgets those long gone."""
    instant = clock.now(connection)
    if connection.execute(update(nodes).where(nodes.c.name == name).values(seen=instant)).rowcount == 0:
        connection.execute(insert(nodes).values(name=name, processes=processes, started=instant, seen=instant))
        connection.execute(delete(nodes).where(nodes.c.seen < instant - FORGOTTEN_AFTER))


def leave(connection: Connection, name: str) -> None:
    """Say that the worker has stopped."""
    connection.execute(delete(nodes).where(nodes.c.name == name))


def present(connection: Connection, within_s: float) -> list[Node]:
    """Workers that reported during the last `within_s` seconds."""
    silent = clock.past(nodes.c.seen, clock.now(connection), within_s)
    query = select(nodes).where(~silent).order_by(nodes.c.name)
    return [Node(**row._mapping) for row in connection.execute(query)]
