"""Recordings by content: entered with the first take or calibration that uses them, dropped with the last.

The order is what keeps what was accepted from losing its recording. Entering locks the file's row, then puts the blob
in place, then commits; dropping locks the same row, sees that nothing uses it, deletes the blob, then commits. Either
waits for the other, and a crash in between leaves a blob too many, never one too few.
"""

from __future__ import annotations

from collections.abc import Collection
from contextlib import suppress
from datetime import UTC, datetime

import structlog
from sqlalchemy import ColumnElement, Connection, and_, delete, exists, select, update
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.exc import DBAPIError

from coilbench_worker.store import clock
from coilbench_worker.store.blobs import Blobs, Incoming
from coilbench_worker.store.database import Database
from coilbench_worker.store.ownership import owned
from coilbench_worker.store.schema import calibrations, files, takes

AT_MOST = 1000
LONG_AGO = datetime(2000, 1, 1, tzinfo=UTC)
"""When a recording was entered that was to be deleted and could not: the grace period is not for that one."""

log = structlog.get_logger(__name__)


def enter(connection: Connection, incoming: Incoming) -> str:
    """Enter the recording and put its blob in place, inside the caller's transaction; returns its SHA-256."""
    insert = postgresql.insert if connection.dialect.name == "postgresql" else sqlite.insert
    statement = insert(files).values(
        sha256=incoming.sha256, bytes=incoming.size, blob=incoming.key, created=clock.now(connection)
    )
    connection.execute(
        statement.on_conflict_do_update(index_elements=["sha256"], set_={"bytes": statement.excluded.bytes})
    )
    incoming.keep()
    return incoming.sha256


def let_go(database: Database, blobs: Blobs, sha256s: Collection[str]) -> None:
    """Delete those of these recordings that nothing uses any more; what can't be deleted now, the next sweep deletes.

    To be called once what used them is deleted, which stands whatever comes of this.
    """
    try:
        drop_unused(database, blobs, among=sha256s)
    except (OSError, DBAPIError) as error:
        log.warning("recordings that nothing uses are left to the sweeper", recordings=sha256s, error=str(error))
        with suppress(DBAPIError), database.write() as connection:
            connection.execute(update(files).where(files.c.sha256.in_(sha256s), _unused()).values(created=LONG_AGO))


def drop_unused(
    database: Database,
    blobs: Blobs,
    *,
    among: Collection[str] | None = None,
    unused_for_s: float = 0.0,
    at_most: int = AT_MOST,
) -> int:
    """Delete recordings that no take and no calibration uses any more; returns how many.

    None where the store belongs to another database.

    Parameters
    ----------
    among : SHA-256 of those to look at; None: all
    unused_for_s : leave those that were entered later than so many seconds ago
    at_most : in this call
    """
    if not owned(database, blobs):
        return 0
    query = select(files.c.sha256).where(_unused())
    if among is not None:
        query = query.where(files.c.sha256.in_(among))
    with database.read() as connection:
        if unused_for_s > 0:
            query = query.where(clock.past(files.c.created, clock.now(connection), unused_for_s))
        found = list(connection.execute(query.limit(at_most)).scalars())
    dropped = 0
    for sha256 in found:
        with database.write() as connection:
            connection.execute(select(files.c.sha256).where(files.c.sha256 == sha256).with_for_update())
            blob = connection.execute(
                delete(files).where(files.c.sha256 == sha256, _unused()).returning(files.c.blob)
            ).scalar_one_or_none()
            if blob is not None:
                blobs.delete(blob)
                dropped += 1
    return dropped


def _unused() -> ColumnElement[bool]:
    return and_(
        ~exists().where(takes.c.file_sha256 == files.c.sha256),
        ~exists().where(calibrations.c.file_sha256 == files.c.sha256),
    )
