"""The part of a worker that sends call-backs: a thread that looks for what is due, and a few that carry it.

Measuring does not wait for it. Any worker sends what is due, without a leader: claims keep them apart.
"""

from __future__ import annotations

import threading
import time
from datetime import timedelta

import structlog

from coilbench_worker.callbacks.sending import Carrier
from coilbench_worker.store import clock, deliveries
from coilbench_worker.store.database import Database
from coilbench_worker.store.deliveries import HeldDelivery

AT_ONCE = 4
"""Addresses to which one worker sends at the same time."""
STOP_WITHIN_S = 3.0
HOUSEKEEPING_EVERY_S = 3600.0
ENDED_ARE_KEPT = timedelta(days=30)

log = structlog.get_logger(__name__)


class Sender:
    """Sends until it is stopped.

    Parameters
    ----------
    carrier : sends one delivery
    every_s : how often to look for what is due
    """

    def __init__(self, database: Database, carrier: Carrier, *, every_s: float) -> None:
        self._database = database
        self._carrier = carrier
        self._every_s = every_s
        self._places = threading.Semaphore(AT_ONCE)
        self._news = threading.Event()
        self._stopping = threading.Event()
        self._carrying: set[threading.Thread] = set()
        self._housekeeping_at = 0.0
        self._thread = threading.Thread(target=self._run, name="call-backs", daemon=True)

    @property
    def started(self) -> bool:
        """Whether `start` was called."""
        return self._thread.ident is not None

    def start(self) -> None:
        """Begin to look."""
        self._thread.start()

    def stop(self) -> None:
        """Claim nothing more; what does not arrive within a moment is due again when its lease runs out."""
        self._stopping.set()
        self._news.set()
        self._places.release()
        self._thread.join()
        end = time.monotonic() + STOP_WITHIN_S
        for thread in list(self._carrying):
            thread.join(max(0.0, end - time.monotonic()))

    def _run(self) -> None:
        while not self._stopping.is_set():
            self._places.acquire()
            self._news.clear()
            held = None if self._stopping.is_set() else self._look()
            if held is None:
                self._places.release()
                if not self._stopping.is_set():
                    self._news.wait(self._every_s)
                continue
            thread = threading.Thread(target=self._carry, args=(held,), name="call-back", daemon=True)
            self._carrying.add(thread)
            thread.start()

    def _look(self) -> HeldDelivery | None:
        try:
            self._keep_house()
            return self._carrier.claim()
        except Exception:  # whatever it is, the next look tries again
            log.exception("looking for call-backs broke off; the next look tries again")
            return None

    def _carry(self, held: HeldDelivery) -> None:
        try:
            self._carrier.carry(held)
        except Exception:  # it is due again when its lease runs out
            log.exception("a call-back could not be noted", callback=held.callback_id, delivery=held.id)
        finally:
            self._carrying.discard(threading.current_thread())
            self._places.release()
            self._news.set()

    def _keep_house(self) -> None:
        if time.monotonic() < self._housekeeping_at:
            return
        self._housekeeping_at = time.monotonic() + HOUSEKEEPING_EVERY_S
        with self._database.write() as connection:
            deliveries.forget_before(connection, clock.now(connection) - ENDED_ARE_KEPT)
