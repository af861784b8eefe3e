"""Settings of gunicorn, from ours: `gunicorn --config python:coilbench_service.gunicorn_settings ...wsgi:app`.

One process with threads: the numbers of /metrics and the count of those who wait are kept in it, and hashing, disk and
database leave its threads free. More than one process on a machine are more of these, behind a proxy.
"""

from __future__ import annotations

import signal
from pathlib import Path
from types import FrameType
from typing import Any

from coilbench_service.bench import SERVER_THREADS, Bench
from coilbench_service.body_reader import reading_bodies
from coilbench_worker.configuration import ConfigurationError, load

try:
    _configuration = load()
except ConfigurationError as error:
    raise SystemExit(str(error)) from error

bind = _configuration.listen
worker_class = "gthread"
workers = 1
threads = SERVER_THREADS
worker_connections = 2000

# Heartbeats go to memory: a disk that is slow to write would look like a worker that hangs.
worker_tmp_dir = "/dev/shm" if Path("/dev/shm").is_dir() else None
timeout = 120
# For requests in hand when the process is told to end; those that only wait for a take are answered at once.
graceful_timeout = 25
# Longer than a proxy keeps an idle connection, so that it is the proxy that closes it.
keepalive = 75

logger_class = "coilbench_service.gunicorn_log.JsonLog"

# A way in that nobody here uses, in a folder that several share.
control_socket_disable = True

limit_request_line = 8190
limit_request_fields = 64
limit_request_field_size = 8190

# Nobody's X-Forwarded-... is believed here: the app counts the proxies (COILBENCH_TRUSTED_PROXIES).
forwarded_allow_ips = ""


def post_worker_init(worker: Any) -> None:
    """Answer broken bodies as broken, and let go of those who wait as soon as the process is told to end."""
    worker.wsgi.wsgi_app = reading_bodies(worker.wsgi.wsgi_app)
    bench: Bench = worker.wsgi.extensions["coilbench"]
    end = signal.getsignal(signal.SIGTERM)

    def end_after_waiters(number: int, frame: FrameType | None) -> None:
        bench.waiters.close()
        if callable(end):
            end(number, frame)

    signal.signal(signal.SIGTERM, end_after_waiters)
