"""A worker: Celery's controller in a thread, measuring processes started by spawn, and the round of re-dispatch.

The same for Redis and for the broker inside the process. Celery's controller has its own ideas of stopping (wait for
everything, or drop everything); here a stop takes no new jobs, gives those in hand `stop_within_s`, ends the measuring
processes and hands back what they held.
"""

from __future__ import annotations

import os
import socket
import threading
import time
import uuid
from collections.abc import Callable
from typing import Any

import structlog
from celery.exceptions import WorkerTerminate
from celery.worker import WorkController, state
from sqlalchemy.exc import DBAPIError

from coilbench_worker import jobs
from coilbench_worker.configuration import Configuration
from coilbench_worker.jobs.broker import celery_app
from coilbench_worker.jobs.dispatch import Dispatcher
from coilbench_worker.jobs.redispatch import Redispatcher
from coilbench_worker.store.database import Database

START_WITHIN_S = 30.0
LOOK_EVERY_S = 0.05
# Celery's loop comes round at least every 2 s; ending the processes takes a moment.
LOOP_LOOKS_WITHIN_S = 4.0
# The measuring processes share the processors among themselves; threads of a numeric library would only get in the way.
ONE_THREAD = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")

log = structlog.get_logger(__name__)


class WorkerNotStarted(Exception):
    """The worker could not be started; the message says what to look at."""


class Node:
    """One worker. `start` and `stop` are for one thread to call, once each.

    Parameters
    ----------
    configuration : the settings; `workers` measuring processes are started
    """

    def __init__(self, configuration: Configuration) -> None:
        self.name = f"coilbench-{uuid.uuid4().hex[:12]}@{socket.gethostname()}"
        self._configuration = configuration
        self._database = Database(configuration.database)
        self._app = celery_app(configuration)
        self._redispatcher = Redispatcher(
            configuration,
            self._database,
            Dispatcher(configuration, self._database, self._app),
            self.name,
            lambda: self.alive,
        )
        self._controller: Any = None
        self._fault: Exception | None = None
        self._ready = threading.Event()
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._work, name="worker", daemon=True)

    @property
    def alive(self) -> bool:
        """Whether the worker takes jobs."""
        return self._ready.is_set() and self._thread.is_alive() and not self._stopping.is_set()

    def start(self) -> None:
        """Start measuring processes and re-dispatch; returns when jobs are taken.

        Raises
        ------
        WorkerNotStarted : it did not come to that
        """
        for name in ONE_THREAD:
            os.environ.setdefault(name, "1")
        self._thread.start()
        end = time.monotonic() + START_WITHIN_S
        while not self._ready.wait(LOOK_EVERY_S):
            if not self._thread.is_alive() or time.monotonic() > end:
                self.stop()
                if self._fault is not None:
                    raise WorkerNotStarted(
                        f"the worker broke as it started ({type(self._fault).__name__}: {self._fault}); "
                        "the log has the whole of it; a damaged installation is the likely cause: install it again"
                    ) from self._fault
                raise WorkerNotStarted(
                    f"no connection to the broker {self._app.connection().as_uri()} within {START_WITHIN_S:g} s; "
                    "see that it runs and that COILBENCH_BROKER_URL is right; the log above has the cause"
                )
        self._redispatcher.start()
        log.info("the worker is ready", worker=self.name, processes=self._configuration.workers)

    def stop(self) -> None:
        """Take no new jobs, give those in hand `stop_within_s`, hand back the rest."""
        self._stopping.set()
        patience_s = LOOP_LOOKS_WITHIN_S + self._configuration.stop_within_s
        if self._controller is not None:
            self._controller.consumer.call_soon(self._controller.leave)
        if self._ready.is_set():
            self._thread.join(patience_s)
        if self._thread.is_alive():  # not in its loop: it is looking for a broker that does not answer
            state.should_terminate = 0
            self._thread.join(patience_s)
            state.should_terminate = None
        if self._redispatcher.started:
            self._redispatcher.stop()
        returned = 0
        try:
            returned = jobs.hand_back_all(self._database, self.name)
        except DBAPIError as error:
            log.warning("what is in hand could not be handed back; its leases run out", error=str(error))
        self._database.close()
        self._app.close()
        log.info("the worker has stopped", worker=self.name, handed_back=returned)

    def wait(self, timeout_s: float | None = None) -> bool:
        """Wait until the worker ends by itself (it should not); True when it has."""
        self._thread.join(timeout_s)
        return not self._thread.is_alive()

    def _work(self) -> None:
        try:
            self._control()
        except Exception as error:
            self._fault = error
            log.exception("the worker broke", worker=self.name)

    def _control(self) -> None:
        self._controller = _Controller(
            app=self._app,
            hostname=self.name,
            ready_callback=lambda _: self._ready.set(),
            # Workers need not know of each other: the database is between them.
            without_mingle=True,
            without_gossip=True,
            without_heartbeat=True,
        )
        self._controller.before_end = self._wait_for_takes_in_hand
        if not self._stopping.is_set():
            self._controller.start()

    def _wait_for_takes_in_hand(self) -> None:
        """Give them `stop_within_s`; no new ones are begun, because the loop that hands them out has ended."""
        end = time.monotonic() + self._configuration.stop_within_s
        try:
            while jobs.held(self._database, self.name) and time.monotonic() < end:
                time.sleep(LOOK_EVERY_S)
        except DBAPIError as error:
            log.warning("can't see which takes are in hand; the processes end now", error=str(error))


class _Controller(WorkController):  # type: ignore[misc]
    """Celery's controller, which does one thing more before it ends the measuring processes."""

    before_end: Callable[[], None]
    ending = False

    def leave(self) -> None:
        """End, called from inside the loop."""
        if not self.ending:
            raise WorkerTerminate(0)

    def terminate(self, in_sighandler: bool = False) -> None:
        """Call `before_end`, then end the processes, without waiting for results of what they had in hand."""
        self.ending = True
        self.before_end()
        processes = getattr(self.pool, "_pool", None)
        if processes is not None:
            # Billiard would wait 5 s for results that can't come any more; what they are of is handed back.
            processes._result_handler.terminate()
        super().terminate(in_sighandler)
