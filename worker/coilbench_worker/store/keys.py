"""Access keys as kept; nothing here knows the form of a key or what a scope lets one do."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import ColumnElement, Connection, Select, and_, delete, insert, or_, select, update

from coilbench_worker.store.instants import now
from coilbench_worker.store.schema import keys
from coilbench_worker.store.text import storable

USED_WITHIN = timedelta(minutes=1)
"""`last_used` may lag by so much: it is written once in that time, however often the key is used."""


@dataclass(frozen=True)
class KeyRecord:
    """One key: what may be shown of it, the hash of its secret, when it ends or ended, its own limits."""

    id: str
    name: str
    secret_sha256: str = field(repr=False)
    scopes: tuple[str, ...]
    created: datetime
    expires: datetime | None
    revoked: datetime | None
    last_used: datetime | None
    requests_per_minute: int | None
    upload_bytes_per_day: int | None

    def good(self, instant: datetime) -> bool:
        """Whether the key opens anything at `instant`; one that was revoked does not, whatever the clocks say."""
        return self.revoked is None and (self.expires is None or self.expires > instant)


@dataclass(frozen=True)
class KeyPage:
    """Keys in the order in which they were made; `next` is the cursor of the page after, None on the last."""

    items: list[KeyRecord]
    next: str | None


def enter(
    connection: Connection,
    id: str,
    *,
    name: str,
    secret_sha256: str,
    scopes: Iterable[str],
    expires: datetime | None = None,
    requests_per_minute: int | None = None,
    upload_bytes_per_day: int | None = None,
) -> KeyRecord:
    """Enter a key under an id that no other has (IntegrityError otherwise)."""
    values: dict[str, Any] = {"name": storable(name), "scopes": " ".join(scopes)}
    values |= {"secret_sha256": secret_sha256, "expires": expires}
    values |= {"requests_per_minute": requests_per_minute, "upload_bytes_per_day": upload_bytes_per_day}
    connection.execute(insert(keys).values(id=id, created=now(), **values))
    record = get(connection, id)
    assert record is not None  # entered above, in this transaction
    return record


def get(connection: Connection, id: str) -> KeyRecord | None:
    """The key of that id, or None."""
    row = connection.execute(select(keys).where(keys.c.id == id)).one_or_none()
    return None if row is None else _record(row._mapping)


def page(connection: Connection, limit: int, cursor: str | None = None) -> KeyPage:
    """Up to `limit` keys after `cursor` (a `KeyPage.next`); none after a cursor that is the id of no key."""
    query = select(keys).order_by(keys.c.created, keys.c.id).limit(limit + 1)
    if cursor is not None:
        last = get(connection, cursor)
        if last is None:
            return KeyPage([], None)
        same_instant = and_(keys.c.created == last.created, keys.c.id > last.id)
        query = query.where(or_(keys.c.created > last.created, same_instant))
    records = _records(connection, query)
    return KeyPage(records[:limit], records[limit - 1].id if len(records) > limit else None)


def every(connection: Connection) -> list[KeyRecord]:
    """All keys, also those that ended, in the order in which they were made."""
    return _records(connection, select(keys).order_by(keys.c.created, keys.c.id))


def good(connection: Connection, scope: str | None = None, *, lock: bool = False) -> list[KeyRecord]:
    """Keys that are neither revoked nor expired.

    Parameters
    ----------
    scope : only those that name this scope
    lock : hold their rows until the end of the transaction
    """
    query = select(keys).where(_good(now())).order_by(keys.c.id)
    found = _records(connection, query.with_for_update() if lock else query)
    return [record for record in found if scope is None or scope in record.scopes]


def change(connection: Connection, id: str, changes: Mapping[str, Any]) -> KeyRecord | None:
    """Put other values into columns of the key; None when there is none of that id."""
    if changes:
        connection.execute(update(keys).where(keys.c.id == id).values(**changes))
    return get(connection, id)


def revoke(connection: Connection, id: str) -> KeyRecord | None:
    """Make the key good for nothing from now on; its row stays. One that was revoked before keeps that moment."""
    connection.execute(update(keys).where(keys.c.id == id, keys.c.revoked.is_(None)).values(revoked=now()))
    return get(connection, id)


def used(record: KeyRecord, instant: datetime) -> bool:
    """Whether a use at `instant` is already told by `last_used`."""
    return record.last_used is not None and instant - USED_WITHIN < record.last_used <= instant


def touch(connection: Connection, id: str, instant: datetime) -> None:
    """Say that the key was used; nothing happens when another said so meanwhile."""
    stale = or_(keys.c.last_used.is_(None), keys.c.last_used <= instant - USED_WITHIN, keys.c.last_used > instant)
    connection.execute(update(keys).where(keys.c.id == id, stale).values(last_used=instant))


def forget_ended_before(connection: Connection, instant: datetime) -> int:
    """Delete the rows of keys that ended before `instant`; returns how many."""
    return connection.execute(delete(keys).where(or_(keys.c.revoked < instant, keys.c.expires < instant))).rowcount


def _good(instant: datetime) -> ColumnElement[bool]:
    return and_(keys.c.revoked.is_(None), or_(keys.c.expires.is_(None), keys.c.expires > instant))


def _records(connection: Connection, query: Select[Any]) -> list[KeyRecord]:
    return [_record(row._mapping) for row in connection.execute(query)]


def _record(row: Mapping[Any, Any]) -> KeyRecord:
    return KeyRecord(**{**row, "scopes": tuple(row["scopes"].split())})
