"""The round that every worker makes: announce what was forgotten, and say that it is there."""

from __future__ import annotations

import threading
from collections.abc import Callable
from datetime import datetime

import structlog

from coilbench_worker.configuration import Configuration
from coilbench_worker.jobs.dispatch import Dispatcher
from coilbench_worker.jobs.expiry import due
from coilbench_worker.jobs.housekeeping import Housekeeping
from coilbench_worker.metrics import instruments
from coilbench_worker.store import clock, nodes
from coilbench_worker.store.database import Database

log = structlog.get_logger(__name__)


class Redispatcher:
    """A thread that makes the round at its start and every `redispatch_every_s`.

    Parameters
    ----------
    name : of the worker
    alive : whether the worker still works; while it does not, it does not report
    """

    def __init__(
        self,
        configuration: Configuration,
        database: Database,
        dispatcher: Dispatcher,
        name: str,
        alive: Callable[[], bool],
    ) -> None:
        self._configuration = configuration
        self._database = database
        self._dispatcher = dispatcher
        self._name = name
        self._alive = alive
        self._announced_in_vain_before: datetime | None = None
        self._housekeeping = Housekeeping(configuration, database)
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="re-dispatch", daemon=True)

    @property
    def started(self) -> bool:
        """Whether `start` was called."""
        return self._thread.ident is not None

    def start(self) -> None:
        """Begin the rounds."""
        self._thread.start()
        self._housekeeping.start()

    def forget_announcements(self) -> None:
        """On the broker inside the process: the next round announces again what waits, however lately it was told."""
        self._announced_in_vain_before = None

    def stop(self) -> None:
        """End the rounds, and say that the worker has left."""
        self._stop.set()
        self._thread.join()
        self._housekeeping.stop()
        try:
            with self._database.write() as connection:
                nodes.leave(connection, self._name)
        except Exception as error:  # the worker ends either way; others see it gone when its reports stop
            log.warning("could not sign off", worker=self._name, error=str(error))

    def round(self) -> int:
        """Announce what is due; returns how many jobs that was."""
        found = due(
            self._database,
            max_attempts=self._configuration.max_attempts,
            lease_s=self._configuration.lease_s,
            republish_after_s=self._configuration.republish_after_s,
            # What the memory broker held when another process, or other measuring processes, had it is gone.
            published_before=self._in_vain_before() if self._configuration.embedded else None,
            words=self._dispatcher.words(),
        )
        for number, job_id in enumerate(found):
            if not self._dispatcher.publish(job_id):
                for unsent in found[number + 1 :]:
                    self._dispatcher.unpublished(unsent)
                break
        return len(found)

    def _in_vain_before(self) -> datetime:
        if self._announced_in_vain_before is None:
            with self._database.read() as connection:
                self._announced_in_vain_before = clock.now(connection)
        return self._announced_in_vain_before

    def _run(self) -> None:
        while True:
            try:
                if self._alive():
                    with self._database.write() as connection:
                        nodes.report(connection, self._name, self._configuration.workers)
                found = self.round()
                if found:
                    instruments().announced_again.inc(found)
                    log.info("announced again", jobs=found)
            except Exception:  # whatever it is, the next round tries again
                log.exception("the round of re-dispatch broke off; the next one tries again")
            if self._stop.wait(self._configuration.redispatch_every_s):
                return
