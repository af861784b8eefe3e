"""Sheets by key, as pickups and sessions have them: entered, read, changed, deleted, one kind to a table."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, Connection, Table, delete, func, select, text, update
from sqlalchemy.dialects import postgresql, sqlite

from coilbench_worker.store.identity import new_id
from coilbench_worker.store.instants import now
from coilbench_worker.store.schema import idempotency
from coilbench_worker.store.text import storable

LOCK_SPACE = 0x73686565  # "shee": first number of the PostgreSQL advisory locks that are held for a kind of sheet
KEYS_OF_EACH = 500


@dataclass(frozen=True)
class SheetRecord:
    """One sheet: `sheet` has what was said, by name; what was not said is not in it."""

    id: str
    key: str
    sheet: dict[str, Any]
    created: datetime
    updated: datetime


@dataclass(frozen=True)
class SheetPage:
    """Sheets in the order in which they were made; `next` is the cursor of the page after, None on the last."""

    items: list[SheetRecord]
    next: str | None


class Sheets:
    """The sheets of one kind.

    Parameters
    ----------
    table : where they are
    answers : the column of `idempotency` that points at them
    lock : number of the kind, for `hold`
    """

    def __init__(self, table: Table, answers: str, lock: int) -> None:
        self._table = table
        self._answers = answers
        self._lock = lock

    def get(self, connection: Connection, key: str) -> SheetRecord | None:
        """The sheet of that key, or None."""
        row = connection.execute(select(self._table).where(self._named(key))).one_or_none()
        return None if row is None else SheetRecord(**row._mapping)

    def page(self, connection: Connection, limit: int, cursor: str | None = None) -> SheetPage:
        """Up to `limit` sheets after `cursor` (a `SheetPage.next`)."""
        query = select(self._table).order_by(self._table.c.id).limit(limit + 1)
        if cursor is not None:
            query = query.where(self._table.c.id > storable(cursor))
        found = [SheetRecord(**row._mapping) for row in connection.execute(query)]
        more = len(found) > limit
        found = found[:limit]
        return SheetPage(found, found[-1].id if more else None)

    def by_key(self, connection: Connection, only: Collection[str] | None = None) -> dict[str, SheetRecord]:
        """Sheets by key, in the order in which they were made.

        Parameters
        ----------
        only : keys to look for; None: every sheet
        """
        query = select(self._table).order_by(self._table.c.id)
        if only is None:
            return {row.key: SheetRecord(**row._mapping) for row in connection.execute(query)}
        wanted = [storable(key) for key in only]
        found: dict[str, SheetRecord] = {}
        for start in range(0, len(wanted), KEYS_OF_EACH):  # a database takes only so many parameters
            part = query.where(self._table.c.key.in_(wanted[start : start + KEYS_OF_EACH]))
            found |= {row.key: SheetRecord(**row._mapping) for row in connection.execute(part)}
        return found

    def count(self, connection: Connection) -> int:
        """How many sheets there are."""
        return int(connection.execute(select(func.count()).select_from(self._table)).scalar_one())

    def add(self, connection: Connection, key: str, sheet: Mapping[str, Any]) -> SheetRecord | None:
        """Enter a sheet; None when there is one of that key."""
        kind = postgresql.insert if connection.dialect.name == "postgresql" else sqlite.insert
        instant = now()
        values = {"id": new_id(), "key": storable(key), "sheet": dict(sheet), "created": instant, "updated": instant}
        statement = kind(self._table).values(**values).on_conflict_do_nothing(index_elements=["key"])
        entered = connection.execute(statement.returning(self._table.c.id)).scalar_one_or_none()
        return self.get(connection, key) if entered is not None else None

    def lock(self, connection: Connection, key: str) -> SheetRecord | None:
        """The sheet, its row locked until the end of the transaction; None when there is none of that key."""
        row = connection.execute(select(self._table).where(self._named(key)).with_for_update()).one_or_none()
        return None if row is None else SheetRecord(**row._mapping)

    def change(self, connection: Connection, key: str, sheet: Mapping[str, Any]) -> SheetRecord | None:
        """Put another sheet in the place of what was said; None when there is none of that key."""
        connection.execute(update(self._table).where(self._named(key)).values(sheet=dict(sheet), updated=now()))
        return self.get(connection, key)

    def remove(self, connection: Connection, key: str) -> bool:
        """Delete the sheet and the answers remembered about it; False when there is none of that key.

        Takes that name the key stay as they are.
        """
        record = self.lock(connection, key)
        if record is None:
            return False
        connection.execute(delete(idempotency).where(idempotency.c[self._answers] == record.id))
        return connection.execute(delete(self._table).where(self._table.c.id == record.id)).rowcount == 1

    def hold(self, connection: Connection, *, shared: bool = False) -> None:
        """Until the end of the transaction nobody else holds the sheets of this kind, those to come included.

        With `shared`, others may hold them shared as well. Hold them before any row is locked. On SQLite a writer has
        the whole database anyway.
        """
        if connection.dialect.name != "sqlite":
            function = "pg_advisory_xact_lock_shared" if shared else "pg_advisory_xact_lock"
            connection.execute(text(f"SELECT {function}(:space, :kind)"), {"space": LOCK_SPACE, "kind": self._lock})

    def _named(self, key: str) -> ColumnElement[bool]:
        return self._table.c.key == storable(key)
