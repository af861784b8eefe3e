"""Celery's controller and its pool, as a node needs them: an end that can't hang, and word of processes that died.

On the broker inside the process all measuring processes read one pipe, each holding a lock of all while it waits for
word and, for a moment, while it writes (billiard's pool with threads). Killed then, a process leaves the lock held:
its successor waits for ever, and so does whoever ends the pool the usual way. A lock can't tell who held it, and a
word half read puts the pipe out of step, so such a pool is not mended: it is ended, and another takes its place.
"""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Callable, Iterable
from typing import Any

import structlog
from billiard.common import human_status
from billiard.pool import EX_OK, EX_RECYCLE, Pool, stop_if_not_current
from celery.concurrency.prefork import TaskPool
from celery.exceptions import WorkerTerminate
from celery.worker import WorkController
from celery.worker.loops import synloop

# A process told to end unwinds, reports that, and stays a second for the report to be read.
END_WITHIN_S = 1.5
LOCK_WITHIN_S = 0.5
# How often the loop looks up from the broker inside the process, for a stop or for processes that died; Celery's 2 s
# would be most of a stop.
LOOK_UP_EVERY_S = 0.1

log = structlog.get_logger(__name__)


class Controller(WorkController):  # type: ignore[misc]
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


class SharedPipeController(Controller):
    """The controller on the broker inside the process, which ends when a process died that may have held a lock.

    Parameters
    ----------
    had_a_take : whether the process of this number held a take when it died. Then it was measuring, held no lock, and
        the pool puts another in its place by itself
    """

    def __init__(self, *, had_a_take: Callable[[int], bool], **settings: Any) -> None:
        self.lost: list[int] = []
        self._had_a_take = had_a_take
        super().__init__(pool_cls=_EndingTaskPool, **settings)
        self.pool.options["on_process_down"] = self._note
        self.consumer.loop = _attentive_loop

    def _note(self, process: Any) -> None:
        """In a thread of the pool, where an exception would end the program."""
        if process.exitcode in (EX_OK, EX_RECYCLE):
            return
        self.lost.append(process.pid)
        self.consumer.call_soon(self._look, process.pid, human_status(process.exitcode))

    def _look(self, pid: int, status: str) -> None:
        if self.ending:
            return
        if self._had_a_take(pid):
            log.warning("a measuring process died with a take in hand; another takes its place", pid=pid, status=status)
            return
        log.warning("a measuring process died between takes; all of them are replaced", pid=pid, status=status)
        self.leave()


class _Attentive:
    """A connection to the broker that is listened to for `LOOK_UP_EVERY_S` at a time."""

    def __init__(self, connection: Any) -> None:
        self._connection = connection

    def drain_events(self, timeout: float) -> Any:
        return self._connection.drain_events(timeout=min(timeout, LOOK_UP_EVERY_S))

    def __getattr__(self, name: str) -> Any:
        return getattr(self._connection, name)


def _attentive_loop(consumer: Any, connection: Any, *others: Any, **named: Any) -> None:
    synloop(consumer, _Attentive(connection), *others, **named)


class _EndingPool(Pool):  # type: ignore[misc]
    """Billiard's pool, ended without need of a lock that a dead process may hold."""

    def _help_stuff_finish_args(self) -> tuple[Any, ...]:
        return (self,)

    @staticmethod
    def _help_stuff_finish(pool: Pool) -> None:
        """End all processes, then free the locks: with the processes gone, nobody is left who could be inside.

        In the place of emptying the pipe of words, which can't be full: it holds one for each process at most.
        """
        told: set[int] = set()
        _tell(list(pool._pool), told)
        stop_if_not_current(pool._worker_handler)  # from here on no process is added
        _tell(pool._pool, told)
        _end(pool._pool)
        for lock in (pool._inqueue._rlock, pool._outqueue._wlock):
            lock.acquire(timeout=LOCK_WITHIN_S)
            lock.release()


class _EndingTaskPool(TaskPool):  # type: ignore[misc]
    BlockingPool = _EndingPool

    def on_close(self) -> None:
        """Nothing: closing lets the processes end by themselves one after another, and the end follows at once."""


def _tell(processes: Iterable[Any], told: set[int]) -> None:
    for process in processes:
        if process._popen is not None and process.pid not in told:
            told.add(process.pid)
            process.terminate()


def _end(processes: Iterable[Any]) -> None:
    end = time.monotonic() + END_WITHIN_S
    for process in processes:
        if process._popen is None:  # it could not be started
            continue
        process.join(max(0.0, end - time.monotonic()))
        if process.exitcode is None:
            os.kill(process.pid, signal.SIGKILL)
            process.join()
