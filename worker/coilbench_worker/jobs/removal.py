"""A take is deleted: its rows first, then, when no other take uses it, the recording."""

from __future__ import annotations

from collections.abc import Callable

from coilbench_worker.jobs.locks import lock_take
from coilbench_worker.store import files, takes
from coilbench_worker.store.blobs import Blobs
from coilbench_worker.store.database import Database
from coilbench_worker.store.takes import TakeRecord


def remove(
    database: Database, blobs: Blobs, take_id: str, require: Callable[[TakeRecord], None] = lambda _: None
) -> TakeRecord | None:
    """Delete the take, its jobs, its measurements and the recording if this was its last take.

    Returns the take as it was, None when there is none of that id. A recording that can't be deleted at the moment is
    swept away later.

    A worker that is measuring it finds its claim gone and keeps nothing.

    Parameters
    ----------
    require : is shown the take as it is, locked, and raises where it must not be deleted in this state
    """
    with database.write() as connection:
        lock_take(connection, take_id)
        take = takes.get(connection, take_id)
        if take is None:
            return None
        require(take)
        takes.delete(connection, take_id)
    files.let_go(database, blobs, [take.sha256])
    return take
