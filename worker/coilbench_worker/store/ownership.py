"""Whose a store of recordings is: that of the first database that wanted to delete something there.

Only its owner deletes in a store. Another database would take whatever it knows nothing of for orphans: a backup that
is tried out on the store of the service, or a second service whose settings were copied. The database has an id, and
the store holds it under the name `owner`; a database that is put back from a copy gets another.
"""

from __future__ import annotations

import structlog
from sqlalchemy import delete, select
from sqlalchemy.dialects import postgresql, sqlite

from coilbench_worker.store import clock
from coilbench_worker.store.blobs import Blobs
from coilbench_worker.store.database import Database
from coilbench_worker.store.identity import new_id
from coilbench_worker.store.schema import installation

WHAT_TO_DO = (
    "nothing is deleted there. If that database is gone for good, delete the object `owner` in the store; if not, give "
    "this one a store of its own (COILBENCH_BLOB_URL)"
)

log = structlog.get_logger(__name__)


def owned(database: Database, blobs: Blobs) -> bool:
    """Whether the store is this database's; one that is nobody's yet becomes so.

    Raises
    ------
    OSError : the store can't be reached
    """
    mine = identity(database)
    theirs = blobs.mark(mine)
    if theirs != mine:
        log.warning(f"the store of recordings belongs to another database: {WHAT_TO_DO}", owner=theirs[:80], own=mine)
    return theirs == mine


def identity(database: Database) -> str:
    """The id of the database, made when first asked for."""
    with database.read() as connection:
        there = connection.execute(select(installation.c.id)).scalar_one_or_none()
    if there is not None:
        return str(there)
    insert = sqlite.insert if database.sqlite else postgresql.insert
    with database.write() as connection:
        row = insert(installation).values(place=1, id=new_id(), created=clock.now(connection))
        connection.execute(row.on_conflict_do_nothing(index_elements=["place"]))
        return str(connection.execute(select(installation.c.id)).scalar_one())


def forget(database: Database) -> None:
    """Let the database have another id from now on."""
    with database.write() as connection:
        connection.execute(delete(installation))
