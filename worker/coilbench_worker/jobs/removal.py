"""A take is deleted: its rows first, then, when no other take uses it, the recording."""

from __future__ import annotations

from coilbench_worker.store import files, takes
from coilbench_worker.store.blobs import Blobs
from coilbench_worker.store.database import Database


def remove(database: Database, blobs: Blobs, take_id: str) -> bool:
    """Delete the take, its jobs, its measurements and the recording if this was its last take; False when unknown.

    A worker that is measuring it finds its claim gone and keeps nothing.
    """
    with database.write() as connection:
        if not takes.delete(connection, take_id):
            return False
    files.drop_unused(database, blobs)
    return True
