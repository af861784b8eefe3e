"""Addresses that are told when takes end: entered, read, changed, stopped, deleted.

Who changes a call-back and its deliveries locks the call-back first.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Row, delete, func, insert, select, text, update

from coilbench_worker.store.identity import new_id
from coilbench_worker.store.instants import now
from coilbench_worker.store.schema import callbacks, deliveries
from coilbench_worker.store.text import storable

LOCK = 0x63616C6C  # "call": number of the PostgreSQL advisory lock under which they are counted and entered
STOPPED = "The call-back was stopped before this was sent."


@dataclass(frozen=True)
class CallbackRecord:
    """One call-back. `stopped` says since when nothing is sent, `reason` why; `failures` in a row."""

    id: str
    url: str
    secret: str
    states: tuple[str, ...]
    session: str | None
    created: datetime
    updated: datetime
    stopped: datetime | None
    reason: str | None
    failures: int
    failing_since: datetime | None


@dataclass(frozen=True)
class CallbackPage:
    """Call-backs in the order in which they were made; `next` is the cursor of the page after, None on the last."""

    items: list[CallbackRecord]
    next: str | None


def hold(connection: Connection) -> None:
    """Until the end of the transaction nobody else enters one; on SQLite a writer has the whole database anyway."""
    if connection.dialect.name != "sqlite":
        connection.execute(text("SELECT pg_advisory_xact_lock(:lock)"), {"lock": LOCK})


def count(connection: Connection) -> int:
    """How many there are."""
    return int(connection.execute(select(func.count()).select_from(callbacks)).scalar_one())


def add(connection: Connection, url: str, secret: str, states: Iterable[str], session: str | None) -> CallbackRecord:
    """Enter one.

    Parameters
    ----------
    states : final states of takes that it wants to hear of
    session : only takes of this session; None: of all
    """
    callback_id, instant = new_id(), now()
    connection.execute(
        insert(callbacks).values(
            id=callback_id,
            url=url,
            secret=secret,
            states=" ".join(states),
            session=None if session is None else storable(session),
            created=instant,
            updated=instant,
            failures=0,
        )
    )
    made = get(connection, callback_id)
    assert made is not None  # entered above, in this transaction
    return made


def get(connection: Connection, callback_id: str, *, lock: bool = False) -> CallbackRecord | None:
    """The call-back of that id, or None.

    Parameters
    ----------
    lock : keep others from changing it until the end of the transaction
    """
    query = select(callbacks).where(callbacks.c.id == storable(callback_id))
    row = connection.execute(query.with_for_update() if lock else query).one_or_none()
    return None if row is None else _record(row)


def page(connection: Connection, limit: int, cursor: str | None = None) -> CallbackPage:
    """Up to `limit` call-backs after `cursor` (a `CallbackPage.next`)."""
    query = select(callbacks).order_by(callbacks.c.id).limit(limit + 1)
    if cursor is not None:
        query = query.where(callbacks.c.id > storable(cursor))
    found = [_record(row) for row in connection.execute(query)]
    more = len(found) > limit
    found = found[:limit]
    return CallbackPage(found, found[-1].id if more else None)


def change(
    connection: Connection,
    callback_id: str,
    *,
    url: str | None = None,
    secret: str | None = None,
    states: Iterable[str] | None = None,
    **session: str | None,
) -> None:
    """Change what is given.

    Parameters
    ----------
    session : `session=None` takes the restriction to one session away
    """
    values: dict[str, Any] = {name: None if one is None else storable(one) for name, one in session.items()}
    values |= {name: value for name, value in (("url", url), ("secret", secret)) if value is not None}
    if states is not None:
        values["states"] = " ".join(states)
    connection.execute(update(callbacks).where(callbacks.c.id == callback_id).values(updated=now(), **values))


def start(connection: Connection, callback_id: str) -> None:
    """Let a stopped call-back hear again of takes that end from now on; its failures are forgotten."""
    connection.execute(
        update(callbacks)
        .where(callbacks.c.id == callback_id)
        .values(stopped=None, reason=None, failures=0, failing_since=None, rests_until=None, updated=now())
    )


def stop(connection: Connection, callback_id: str, reason: str) -> None:
    """Send nothing more, what waits included; one that is stopped keeps its first reason."""
    instant = now()
    stopped = connection.execute(
        update(callbacks)
        .where(callbacks.c.id == callback_id, callbacks.c.stopped.is_(None))
        .values(stopped=instant, reason=reason, updated=instant)
    )
    if stopped.rowcount == 1:
        connection.execute(
            update(deliveries)
            .where(deliveries.c.callback_id == callback_id, deliveries.c.ended.is_(None))
            .values(ended=instant, due=None, lease_until=None, outcome=func.coalesce(deliveries.c.outcome, STOPPED))
        )


def remove(connection: Connection, callback_id: str) -> bool:
    """Delete it with everything that was, or was to be, sent to it; False when there is none of that id."""
    return connection.execute(delete(callbacks).where(callbacks.c.id == storable(callback_id))).rowcount == 1


def _record(row: Row[Any]) -> CallbackRecord:
    values = {name: value for name, value in row._mapping.items() if name != "rests_until"}
    return CallbackRecord(**values | {"states": tuple(row.states.split())})
