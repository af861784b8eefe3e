"""What gunicorn says about itself, in the same JSON lines as everything else: `logger_class` of its settings.

Requests have their lines from `request_log`; gunicorn's own access log stays off unless its settings turn it on, and
then comes as lines of the logger `gunicorn.access`.
"""

from __future__ import annotations

from typing import Any

from gunicorn.glogging import Logger

from coilbench_worker import logs
from coilbench_worker.configuration import load


class JsonLog(Logger):  # type: ignore[misc]
    """Hands every line to the log of the program."""

    def setup(self, cfg: Any) -> None:
        """Take gunicorn's settings, but none of its handlers."""
        logs.set_up(load().log_level)
        super().setup(cfg)
        for log in (self.error_log, self.access_log):
            log.handlers = []
            log.propagate = True
