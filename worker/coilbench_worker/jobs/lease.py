"""Keeping a claim while measuring takes its time."""

from __future__ import annotations

import threading
from types import TracebackType
from typing import Self

import structlog
from sqlalchemy.exc import DBAPIError

from coilbench_worker.jobs.claim import Claim, extend
from coilbench_worker.store.database import Database

# Extensions in the length of one lease: two may be missed.
EXTENSIONS_PER_LEASE = 3
ENDS_WITHIN_S = 1.0

log = structlog.get_logger(__name__)


class Lease:
    """Extends the claim's lease from a thread of its own until the block ends or the process does.

    Parameters
    ----------
    lease_s : length of the lease, s
    """

    def __init__(self, database: Database, held: Claim, lease_s: float) -> None:
        self._database = database
        self._held = held
        self._lease_s = lease_s
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._extend, name=f"lease of {held.job_id}", daemon=True)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._over.set()
        self._thread.join()

    def _extend(self) -> None:
        while not self._over.wait(self._lease_s / EXTENSIONS_PER_LEASE):
            try:
                if not extend(self._database, self._held, lease_s=self._lease_s):
                    if not self._over.wait(ENDS_WITHIN_S):  # else it ended while this was asked
                        log.warning("the claim no longer holds; its result will not count", job=self._held.job_id)
                    return
            except DBAPIError as error:
                log.warning("the lease could not be extended", job=self._held.job_id, error=str(error))
