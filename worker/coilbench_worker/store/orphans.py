"""Recordings in the store that the database knows nothing of: found, entered as used by nobody, and so dropped in time.

They come of a crash between blob and commit, and of a database that was put back to an older state. Finding one deletes
nothing: it gets a row in `files`, and `files.drop_unused` takes it when that row has stood unused for the grace period.
So whoever lets the program loose on the wrong database has that long to see it. The row's key makes finding and
entering the same recording wait for each other: one that a take is being entered for is never taken for an orphan.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import islice

import structlog
from sqlalchemy import select
from sqlalchemy.dialects import postgresql, sqlite

from coilbench_worker.store import clock
from coilbench_worker.store.blobs import Blobs
from coilbench_worker.store.database import Database
from coilbench_worker.store.ownership import owned
from coilbench_worker.store.schema import files

SETTLED_S = 60.0
"""What came into the store later than this is not looked at: its take may be about to be committed."""
AT_ONCE = 500
LOOKED_AT = 5000
"""Of the blobs of the store, in one call of `Orphans.find`."""

log = structlog.get_logger(__name__)


class Orphans:
    """The way through the store of one node, some blobs at a time, and from the start again at its end."""

    def __init__(self, database: Database, blobs: Blobs) -> None:
        self._database = database
        self._blobs = blobs
        self._keys: Iterator[str] | None = None

    def find(self, settled_s: float = SETTLED_S, at_most: int = LOOKED_AT) -> int:
        """Look at the next `at_most` blobs and enter those that no row refers to; returns how many.

        None where the store belongs to another database: what that one knows would look like orphans.

        Parameters
        ----------
        settled_s : age from which blobs are looked at, s
        """
        if not owned(self._database, self._blobs):
            return 0
        if self._keys is None:
            self._keys = iter(self._blobs.older_than(settled_s))
        found = looked_at = 0
        while looked_at < at_most:
            some = list(islice(self._keys, min(AT_ONCE, at_most - looked_at)))
            if not some:
                self._keys = None
                break
            looked_at += len(some)
            found += self._enter(some)
        if found:
            log.warning(
                "recordings in the store that the database knows nothing of are dropped after orphan_grace_s; "
                "is it the right database, and not older than the store?",
                recordings=found,
            )
        return found

    def _enter(self, keys: list[str]) -> int:
        with self._database.read() as connection:
            mine = select(files.c.blob).where(files.c.sha256.in_(map(_sha256, keys)))
            known = set(connection.execute(mine).scalars())
        return sum(self._enter_one(key) for key in sorted(set(keys) - known))

    def _enter_one(self, key: str) -> int:
        size = self._blobs.size(key)  # asked before the transaction: a far store that is slow locks nobody out
        if size is None:  # gone since it was listed
            return 0
        insert = sqlite.insert if self._database.sqlite else postgresql.insert
        with self._database.write() as connection:
            row = insert(files).values(sha256=_sha256(key), bytes=size, blob=key, created=clock.now(connection))
            entered = row.on_conflict_do_nothing(index_elements=["sha256"]).returning(files.c.sha256)
            return len(connection.execute(entered).all())


def _sha256(key: str) -> str:
    return key.rpartition("/")[2]
