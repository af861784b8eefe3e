"""Answers remembered by the key that the client gave with its request (`Idempotency-Key`)."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, delete, select
from sqlalchemy.dialects import postgresql, sqlite

from coilbench_worker.store import clock
from coilbench_worker.store.schema import idempotency


@dataclass(frozen=True)
class Remembered:
    """The first answer given under a key, the hash of the request it answered, and what it is about: one of the ids."""

    key: str
    request_sha256: str
    status: int
    body: Any
    created: datetime
    take_id: str | None
    chain_id: str | None
    calibration_id: str | None
    pickup_id: str | None
    session_id: str | None


def lookup(connection: Connection, key: str) -> Remembered | None:
    """What was answered under `key`, or None."""
    row = connection.execute(select(idempotency).where(idempotency.c.key == key)).one_or_none()
    return None if row is None else Remembered(**row._mapping)


def remember(
    connection: Connection,
    key: str,
    request_sha256: str,
    status: int,
    body: Any,
    *,
    take_id: str | None = None,
    chain_id: str | None = None,
    calibration_id: str | None = None,
    pickup_id: str | None = None,
    session_id: str | None = None,
) -> bool:
    """Keep the answer; False when the key has one already, which stays. Call it in the transaction of the act itself.

    With an id the answer is forgotten when that take, chain, calibration, pickup or session is deleted.
    On PostgreSQL a second caller waits here until the first has committed; roll back on False, then `lookup`.
    """
    insert = postgresql.insert if connection.dialect.name == "postgresql" else sqlite.insert
    statement = insert(idempotency).values(
        key=key,
        request_sha256=request_sha256,
        status=status,
        body=body,
        created=clock.now(connection),
        take_id=take_id,
        chain_id=chain_id,
        calibration_id=calibration_id,
        pickup_id=pickup_id,
        session_id=session_id,
    )
    entered = connection.execute(statement.on_conflict_do_nothing(index_elements=["key"]).returning(idempotency.c.key))
    return entered.scalar_one_or_none() is not None


def forget_before(connection: Connection, instant: datetime) -> int:
    """Forget answers older than `instant`; returns how many."""
    return connection.execute(delete(idempotency).where(idempotency.c.created < instant)).rowcount
