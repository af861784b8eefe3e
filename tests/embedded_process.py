"""A process with the embedded worker and nothing else, until SIGTERM; started by tests that kill it."""

from __future__ import annotations

import signal
import threading
from typing import Any

from coilbench_worker import logs
from coilbench_worker.configuration import load
from coilbench_worker.embedded import EmbeddedWorker


def main() -> None:
    """Start, wait to be told, stop."""
    configuration = load()
    logs.set_up(configuration.log_level)
    told = threading.Event()

    def tell(*_: Any) -> None:
        told.set()

    signal.signal(signal.SIGTERM, tell)
    worker = EmbeddedWorker(configuration)
    worker.start()
    told.wait()
    worker.stop()


if __name__ == "__main__":
    main()
