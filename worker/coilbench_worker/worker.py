"""The worker as a process of its own, beside a broker such as Redis: `coilbench-server worker`."""

from __future__ import annotations

import signal
import threading
from types import FrameType

import structlog

from coilbench_worker import logs, metrics
from coilbench_worker.configuration import Configuration, load
from coilbench_worker.node import Node
from coilbench_worker.store.database import Database

LOOK_EVERY_S = 0.5

log = structlog.get_logger(__name__)


def run_worker(configuration: Configuration) -> int:
    """Work until SIGTERM or Ctrl-C; returns the exit code: 0 when told to stop, 1 when the worker ended by itself.

    The tables are left as they are: `coilbench-server migrate` brings them on, once for all hosts. Call it from the
    main thread.

    Raises
    ------
    ValueError : `configuration` has the broker inside the process, where no other process can reach it
    TablesUnfit : the tables are not there, or not fit for this version
    DatabaseUnreachable : the database does not answer
    WorkerNotStarted : the broker can't be reached
    OSError : `metrics_listen` can't be listened on
    """
    if configuration.embedded:
        raise ValueError(
            "COILBENCH_BROKER_URL is not set, so the broker is inside the service, which measures by itself "
            "(`coilbench-server up`); for workers of their own set it, for example to redis://127.0.0.1:6379/0"
        )
    logs.set_up(configuration.log_level)
    database = Database(configuration.database)
    try:
        database.require_fit()
    finally:
        database.close()
    told = threading.Event()

    def stop(number: int, _frame: FrameType | None) -> None:
        told.set()

    for name in (signal.SIGTERM, signal.SIGINT):
        signal.signal(name, stop)
    with metrics.served(configuration.metrics_listen):
        node = Node(configuration)
        node.start()
        ended = False
        while not told.wait(LOOK_EVERY_S) and not ended:
            ended = node.wait(0)
        if ended:
            log.error("the worker ended by itself; start it again, and report the lines above", worker=node.name)
        node.stop()
    return 1 if ended else 0


if __name__ == "__main__":
    raise SystemExit(run_worker(load()))
