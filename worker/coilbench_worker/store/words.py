"""Words whose meaning was changed, as kept; nothing here knows what they mean or which others there are."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, delete, select
from sqlalchemy.dialects import postgresql, sqlite

from coilbench_worker.store.instants import now
from coilbench_worker.store.schema import words
from coilbench_worker.store.text import storable


@dataclass(frozen=True)
class WordRecord:
    """One word: `items` as JSON values, `says` what it says to people."""

    word: str
    items: list[dict[str, Any]]
    says: str | None
    updated: datetime


def get(connection: Connection, word: str) -> WordRecord | None:
    """What was put for the word, or None."""
    row = connection.execute(select(words).where(words.c.word == storable(word))).one_or_none()
    return None if row is None else WordRecord(**row._mapping)


def by_word(connection: Connection) -> dict[str, WordRecord]:
    """Everything that was put, in the order of the words."""
    found = (WordRecord(**row._mapping) for row in connection.execute(select(words)))
    return {record.word: record for record in sorted(found, key=lambda record: record.word)}


def put(
    connection: Connection, word: str, items: Iterable[Mapping[str, Any]], says: str | None = None
) -> tuple[WordRecord, bool]:
    """Put a meaning in the place of what was there; also says whether the word had none here before."""
    kind = postgresql.insert if connection.dialect.name == "postgresql" else sqlite.insert
    locked = select(words.c.word).where(words.c.word == storable(word)).with_for_update()
    new = connection.execute(locked).one_or_none() is None
    meaning = {"items": [dict(item) for item in items], "says": says, "updated": now()}
    statement = kind(words).values(word=storable(word), **meaning)
    connection.execute(statement.on_conflict_do_update(index_elements=["word"], set_=meaning))
    record = get(connection, word)
    assert record is not None  # entered above, in this transaction
    return record, new


def remove(connection: Connection, word: str) -> bool:
    """Forget what was put for the word; False when nothing was."""
    return connection.execute(delete(words).where(words.c.word == storable(word))).rowcount == 1
