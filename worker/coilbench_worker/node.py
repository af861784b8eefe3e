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
from typing import Any

import structlog
from celery.worker import state
from sqlalchemy.exc import DBAPIError

from coilbench_worker import jobs
from coilbench_worker.callbacks.reach import Reach
from coilbench_worker.callbacks.sender import Sender
from coilbench_worker.callbacks.sending import Carrier
from coilbench_worker.configuration import Configuration
from coilbench_worker.controller import Controller, SharedPipeController
from coilbench_worker.jobs.broker import NUMBERS_KEY, celery_app
from coilbench_worker.jobs.dispatch import Dispatcher
from coilbench_worker.jobs.redispatch import Redispatcher
from coilbench_worker.slots import Slots
from coilbench_worker.store.database import Database

START_WITHIN_S = 30.0
LOOK_EVERY_S = 0.05
# On Redis Celery's loop comes round at least every 2 s; ending the processes takes a moment.
LOOP_LOOKS_WITHIN_S = 4.0
# Between the end of a controller and the next: none at first, then doubled each time until one lasts.
FIRST_PAUSE_S = 0.5
LONGEST_PAUSE_S = 30.0
LASTED_S = 60.0
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
        self._slots: Slots | None = None
        reach = Reach.of(configuration.callbacks_allowed)
        self._sender = Sender(self._database, Carrier(self._database, reach), every_s=configuration.redispatch_every_s)
        self._controller: Any = None
        self._fault: Exception | None = None
        self._ready = threading.Event()
        self._stopping = threading.Event()
        self._replacing = threading.Event()
        self._thread = threading.Thread(target=self._work, name="worker", daemon=True)

    @property
    def alive(self) -> bool:
        """Whether the worker takes jobs."""
        working = self._ready.is_set() and self._thread.is_alive() and not self._stopping.is_set()
        return working and not self._replacing.is_set()

    def start(self) -> None:
        """Start measuring processes and re-dispatch; returns when jobs are taken.

        Raises
        ------
        WorkerNotStarted : it did not come to that
        """
        for name in ONE_THREAD:
            os.environ.setdefault(name, "1")
        self._make_slots()
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
        self._sender.start()
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
        if self._sender.started:
            self._sender.stop()
        returned = 0
        try:
            returned = jobs.hand_back_all(self._database, self.name)
        except DBAPIError as error:
            log.warning("what is in hand could not be handed back; its leases run out", error=str(error))
        self._database.close()
        self._app.close()
        if self._slots is not None:
            self._slots.close()
        log.info("the worker has stopped", worker=self.name, handed_back=returned)

    def wait(self, timeout_s: float | None = None) -> bool:
        """Wait until the worker ends by itself (it should not); True when it has."""
        self._thread.join(timeout_s)
        return not self._thread.is_alive()

    def _make_slots(self) -> None:
        try:
            self._slots = Slots(self._configuration.workers)
        except OSError as error:
            log.warning("measuring is not counted for Prometheus: no folder for its numbers", error=str(error))
        else:
            self._app.conf[NUMBERS_KEY] = str(self._slots.folder)

    def _work(self) -> None:
        """One controller; where nobody else would start the worker again, one after another until the stop."""
        pause_s = 0.0
        while True:
            began = time.monotonic()
            try:
                self._control()
            except Exception as error:
                self._fault = error
                log.exception("the worker broke", worker=self.name)
            if not (self._configuration.embedded and self._ready.is_set()) or self._stopping.is_set():
                return
            self._replacing.set()
            self._return_takes()
            if time.monotonic() - began > LASTED_S:
                pause_s = 0.0
            log.warning("new measuring processes are started", worker=self.name, pause_s=pause_s)
            if self._stopping.wait(pause_s):
                return
            pause_s = min(max(FIRST_PAUSE_S, 2 * pause_s), LONGEST_PAUSE_S)

    def _control(self) -> None:
        settings: dict[str, Any] = {
            "app": self._app,
            "hostname": self.name,
            "ready_callback": lambda _: self._take_jobs(),
            # Workers need not know of each other: the database is between them.
            "without_mingle": True,
            "without_gossip": True,
            "without_heartbeat": True,
        }
        if self._configuration.embedded:
            controller: Controller = SharedPipeController(had_a_take=self._had_a_take, **settings)
        else:
            controller = Controller(**settings)
        controller.before_end = self._wait_for_takes_in_hand
        self._controller = controller
        if not self._stopping.is_set():
            controller.start()

    def _take_jobs(self) -> None:
        if self._replacing.is_set():
            self._redispatcher.forget_announcements()
            self._replacing.clear()
            log.info("the worker is ready again", worker=self.name)
        self._ready.set()

    def _had_a_take(self, pid: int) -> bool:
        try:
            return jobs.held(self._database, f"{self.name}/{pid}") > 0
        except DBAPIError as error:
            log.warning("can't see whether a take was in hand", pid=pid, error=str(error))
            return False

    def _return_takes(self) -> None:
        """Hand back what the processes of a controller that has ended still hold."""
        try:
            self._return_takes_of_the_dead()
            jobs.hand_back_all(self._database, self.name)
        except DBAPIError as error:
            log.warning("what is in hand could not be handed back; its leases run out", error=str(error))

    def _return_takes_of_the_dead(self) -> None:
        """A take may be what its process died of: that uses up an attempt, unlike an end that we bring about."""
        for pid in getattr(self._controller, "lost", ()):
            jobs.hand_back_all(self._database, f"{self.name}/{pid}", counts=True)

    def _wait_for_takes_in_hand(self) -> None:
        """Give them `stop_within_s`; no new ones are begun, because the loop that hands them out has ended."""
        end = time.monotonic() + self._configuration.stop_within_s
        try:
            self._return_takes_of_the_dead()
            while jobs.held(self._database, self.name) and time.monotonic() < end:
                time.sleep(LOOK_EVERY_S)
        except DBAPIError as error:
            log.warning("can't see which takes are in hand; the processes end now", error=str(error))
