"""Input chains and what full scale is at their gains, as kept; nothing here knows how it is worked out."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Row, Select, delete, insert, select, update
from sqlalchemy.dialects import postgresql, sqlite

from coilbench_worker.store import files
from coilbench_worker.store.blobs import Blobs, Incoming
from coilbench_worker.store.database import Database
from coilbench_worker.store.identity import new_id
from coilbench_worker.store.instants import now
from coilbench_worker.store.schema import calibrations, chains, idempotency
from coilbench_worker.store.schema import files as recordings
from coilbench_worker.store.text import storable


@dataclass(frozen=True)
class ToneFile:
    """The recording of a reference tone: its name as sent, its size and hash, the key of its blob."""

    name: str
    bytes: int
    sha256: str
    blob: str


@dataclass(frozen=True)
class CalibrationRecord:
    """What full scale is at one gain: V, RMS of the sine whose peak reaches it. `tone` and `file` where measured."""

    id: str
    chain_id: str
    created: datetime
    input_gain_db: float
    by: str
    full_scale_v_rms: float
    budget: list[dict[str, Any]]
    tone: dict[str, Any] | None
    file: ToneFile | None


@dataclass(frozen=True)
class ChainRecord:
    """One chain with its calibrations, oldest first."""

    id: str
    key: str
    name: str | None
    notes: str | None
    gain_step_uncertainty_db: float | None
    created: datetime
    updated: datetime
    cable: str | None
    input_gain_db: float | None
    calibrations: tuple[CalibrationRecord, ...]


@dataclass(frozen=True)
class ChainPage:
    """Chains in the order in which they were made; `next` is the cursor of the page after, None on the last."""

    items: list[ChainRecord]
    next: str | None


def get(connection: Connection, key: str) -> ChainRecord | None:
    """The chain of that key, or None."""
    row = connection.execute(select(chains).where(chains.c.key == storable(key))).one_or_none()
    return None if row is None else _with_calibrations(connection, [row])[0]


def page(connection: Connection, limit: int, cursor: str | None = None) -> ChainPage:
    """Up to `limit` chains after `cursor` (a `ChainPage.next`)."""
    query = select(chains).order_by(chains.c.id).limit(limit + 1)
    if cursor is not None:
        query = query.where(chains.c.id > storable(cursor))
    rows = list(connection.execute(query))
    more = len(rows) > limit
    rows = rows[:limit]
    return ChainPage(_with_calibrations(connection, rows), rows[-1].id if more else None)


def by_key(connection: Connection) -> dict[str, ChainRecord]:
    """Every chain, in two queries whatever their number."""
    rows = connection.execute(select(chains)).all()
    found = _calibrations(connection, _query())
    return {row.key: ChainRecord(**row._mapping, calibrations=tuple(found.get(row.id, ()))) for row in rows}


def inherited(connection: Connection, only: Collection[str] | None = None) -> dict[str, dict[str, Any]]:
    """What takes inherit from their chain, by key: fields of the description that the chain states, and no others.

    Parameters
    ----------
    only : keys to look for; None: every chain
    """
    query = select(chains.c.key, chains.c.cable, chains.c.input_gain_db)
    if only is not None:
        query = query.where(chains.c.key.in_([storable(key) for key in only]))
    fields = ("cable", "input_gain_db")
    return {
        row.key: {name: value for name in fields if (value := row._mapping[name]) is not None}
        for row in connection.execute(query)
    }


def add(
    connection: Connection,
    key: str,
    *,
    name: str | None = None,
    notes: str | None = None,
    gain_step_uncertainty_db: float | None = None,
    cable: str | None = None,
    input_gain_db: float | None = None,
) -> ChainRecord | None:
    """Enter a chain; None when there is one of that key."""
    kind = postgresql.insert if connection.dialect.name == "postgresql" else sqlite.insert
    instant = now()
    values = {"name": name, "notes": notes, "gain_step_uncertainty_db": gain_step_uncertainty_db}
    values |= {"cable": cable, "input_gain_db": input_gain_db}
    statement = kind(chains).values(id=new_id(), key=storable(key), created=instant, updated=instant, **values)
    entered = connection.execute(statement.on_conflict_do_nothing(index_elements=["key"]).returning(chains.c.id))
    return get(connection, key) if entered.scalar_one_or_none() is not None else None


def lock(connection: Connection, key: str) -> ChainRecord | None:
    """The chain, its row locked until the end of the transaction; None when there is none of that key.

    It is the row that was locked: another of the same key may have come while this waited for a deletion.
    """
    row = connection.execute(select(chains).where(chains.c.key == storable(key)).with_for_update()).one_or_none()
    return None if row is None else _with_calibrations(connection, [row])[0]


def change(connection: Connection, key: str, changes: Mapping[str, Any]) -> ChainRecord | None:
    """Put other values into columns of the chain; None when there is none of that key."""
    connection.execute(update(chains).where(chains.c.key == storable(key)).values(**changes, updated=now()))
    return get(connection, key)


def remove(database: Database, blobs: Blobs, key: str, require: Callable[[ChainRecord], None] = lambda _: None) -> bool:
    """Delete a chain, its calibrations, and the tones that nothing else uses; False when there is none of that key.

    Parameters
    ----------
    require : is shown the chain as it is, locked, and raises where it must not be deleted in this state
    """
    with database.write() as connection:
        chain = lock(connection, key)
        if chain is None:
            return False
        require(chain)
        own = select(calibrations.c.id).where(calibrations.c.chain_id == chain.id)
        connection.execute(delete(idempotency).where(idempotency.c.calibration_id.in_(own)))
        connection.execute(delete(idempotency).where(idempotency.c.chain_id == chain.id))
        connection.execute(delete(calibrations).where(calibrations.c.chain_id == chain.id))
        connection.execute(delete(chains).where(chains.c.id == chain.id))
    tones = [calibration.file.sha256 for calibration in chain.calibrations if calibration.file is not None]
    files.let_go(database, blobs, tones)
    return True


def calibrate(
    connection: Connection,
    chain_id: str,
    *,
    input_gain_db: float,
    by: str,
    full_scale_v_rms: float,
    budget: Iterable[Mapping[str, Any]],
    tone: Mapping[str, Any] | None = None,
    file: Incoming | None = None,
    file_name: str | None = None,
) -> CalibrationRecord:
    """Enter a calibration of a chain whose row is locked (`lock`), and put the tone in its place.

    Parameters
    ----------
    connection : of `Database.write()`
    tone, file, file_name : of a reference tone; written whole. Call `file.seal()` before the transaction
    """
    calibration_id = new_id()
    sha256 = files.enter(connection, file) if file is not None else None
    connection.execute(
        insert(calibrations).values(
            id=calibration_id,
            chain_id=chain_id,
            created=now(),
            input_gain_db=input_gain_db,
            by=by,
            full_scale_v_rms=full_scale_v_rms,
            budget=[dict(component) for component in budget],
            tone=dict(tone) if tone is not None else None,
            file_name=storable(file_name) if file_name is not None else None,
            file_sha256=sha256,
        )
    )
    connection.execute(update(chains).where(chains.c.id == chain_id).values(updated=now()))
    return _calibrations(connection, _query().where(calibrations.c.id == calibration_id))[chain_id][0]


def remove_calibration(database: Database, blobs: Blobs, calibration_id: str) -> bool:
    """Delete a calibration, and its tone when nothing else uses that; False when there is no such calibration."""
    with database.write() as connection:
        own = select(calibrations.c.chain_id).where(calibrations.c.id == calibration_id).scalar_subquery()
        connection.execute(update(chains).where(chains.c.id == own).values(updated=now()))  # locks the chain first
        connection.execute(delete(idempotency).where(idempotency.c.calibration_id == calibration_id))
        gone = delete(calibrations).where(calibrations.c.id == calibration_id).returning(calibrations.c.file_sha256)
        found = connection.execute(gone).one_or_none()
        if found is None:
            return False
    if found.file_sha256 is not None:
        files.let_go(database, blobs, [found.file_sha256])
    return True


def _with_calibrations(connection: Connection, rows: Sequence[Row[Any]]) -> list[ChainRecord]:
    query = _query().where(calibrations.c.chain_id.in_([row.id for row in rows]))
    found = _calibrations(connection, query) if rows else {}
    return [ChainRecord(**row._mapping, calibrations=tuple(found.get(row.id, ()))) for row in rows]


def _query() -> Select[Any]:
    return (
        select(calibrations, recordings.c.bytes.label("file_bytes"), recordings.c.blob.label("file_blob"))
        .outerjoin(recordings, recordings.c.sha256 == calibrations.c.file_sha256)
        .order_by(calibrations.c.id)
    )


def _calibrations(connection: Connection, query: Select[Any]) -> dict[str, list[CalibrationRecord]]:
    found: dict[str, list[CalibrationRecord]] = {}
    for row in connection.execute(query):
        file = None
        if row.file_sha256 is not None:
            file = ToneFile(row.file_name or "", row.file_bytes, row.file_sha256, row.file_blob)
        found.setdefault(row.chain_id, []).append(
            CalibrationRecord(
                id=row.id,
                chain_id=row.chain_id,
                created=row.created,
                input_gain_db=row.input_gain_db,
                by=row.by,
                full_scale_v_rms=row.full_scale_v_rms,
                budget=row.budget,
                tone=row.tone,
                file=file,
            )
        )
    return found
