"""Clearing away what has no use any more, by any node, at its start and every ten minutes.

In a thread of its own: a store that is slow or away holds up no announcement and no report. Several nodes may do it at
once; each deletion is guarded for itself.
"""

from __future__ import annotations

import threading
from datetime import timedelta

import structlog

from coilbench_worker.configuration import Configuration
from coilbench_worker.store import clock, files, idempotency
from coilbench_worker.store.blobs import STALE_AFTER_S, Blobs
from coilbench_worker.store.database import Database
from coilbench_worker.store.orphans import Orphans

EVERY_S = 600.0
STOP_WITHIN_S = 2.0
SLOWEST_UPLOAD_S = 3600.0
ANSWERS_ARE_REMEMBERED = timedelta(days=1)

log = structlog.get_logger(__name__)


class Housekeeping:
    """Leftovers of uploads, recordings that nothing refers to, and answers that are a day old."""

    def __init__(self, configuration: Configuration, database: Database) -> None:
        self._grace_s = configuration.orphan_grace_s
        self._database = database
        self._blobs = Blobs.of(configuration)
        self._orphans = Orphans(database, self._blobs)
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="housekeeping", daemon=True)

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def stop(self) -> None:
        """End, after the step in hand if that takes no longer than `STOP_WITHIN_S`."""
        self._stop.set()
        if self._thread.ident is not None:
            self._thread.join(STOP_WITHIN_S)
        self._blobs.close()

    def round(self) -> None:
        """Each step once; a step that fails keeps no other from being made."""
        for step in (self._drop_leftovers, self._orphans.find, self._drop_unused, self._forget_answers):
            if self._stop.is_set():
                return
            try:
                step()
            except Exception:  # whatever it is, the next round tries again
                log.exception("a step of housekeeping failed; the next round tries again", step=step.__name__)

    def _run(self) -> None:
        while True:
            self.round()
            if self._stop.wait(EVERY_S):
                return

    def _drop_leftovers(self) -> None:
        self._blobs.drop_stale(min(max(self._grace_s, SLOWEST_UPLOAD_S), STALE_AFTER_S))

    def _drop_unused(self) -> None:
        files.drop_unused(self._database, self._blobs, unused_for_s=self._grace_s)

    def _forget_answers(self) -> None:
        with self._database.write() as connection:
            idempotency.forget_before(connection, clock.now(connection) - ANSWERS_ARE_REMEMBERED)
