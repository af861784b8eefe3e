"""Browsers that showed a key, as kept: of the token that each got only the hash."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import Connection, delete, insert, select

from coilbench_worker.store.instants import now
from coilbench_worker.store.schema import sign_ins


def enter(connection: Connection, token_sha256: str, key_id: str, expires: datetime) -> None:
    """Enter a sign-in with a key; it goes when the key's row goes."""
    values = {"token_sha256": token_sha256, "key_id": key_id, "created": now(), "expires": expires}
    connection.execute(insert(sign_ins).values(values))


def key_of(connection: Connection, token_sha256: str, instant: datetime) -> str | None:
    """Id of the key that was shown; None when nobody signed in so, or it is over. The key itself may have ended."""
    query = select(sign_ins.c.key_id).where(sign_ins.c.token_sha256 == token_sha256, sign_ins.c.expires > instant)
    return connection.execute(query).scalar_one_or_none()


def remove(connection: Connection, token_sha256: str) -> bool:
    """End a sign-in; False when there was none."""
    return connection.execute(delete(sign_ins).where(sign_ins.c.token_sha256 == token_sha256)).rowcount == 1


def forget_before(connection: Connection, instant: datetime) -> int:
    """Delete the rows of sign-ins that were over at `instant`; returns how many."""
    return connection.execute(delete(sign_ins).where(sign_ins.c.expires <= instant)).rowcount
