"""The log: one JSON object a line on standard error, with take and job where there is one."""

from __future__ import annotations

import logging
import sys

import structlog

# Libraries that tell of every step; heard at `debug` only, their warnings always.
TALKATIVE = ("alembic", "celery", "kombu", "amqp", "urllib3", "fsspec")


def set_up(level: str) -> None:
    """Send the log of the program and of its libraries to standard error as JSON lines.

    Parameters
    ----------
    level : debug, info, warning or error
    """
    shared: list[structlog.types.Processor] = [
        structlog.contextvars.merge_contextvars,
        structlog.stdlib.add_logger_name,
        structlog.stdlib.add_log_level,
        structlog.processors.TimeStamper(fmt="iso", utc=True),
    ]
    structlog.configure(
        processors=[*shared, structlog.stdlib.ProcessorFormatter.wrap_for_formatter],
        logger_factory=structlog.stdlib.LoggerFactory(),
        wrapper_class=structlog.stdlib.BoundLogger,
        cache_logger_on_first_use=True,
    )
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(
        structlog.stdlib.ProcessorFormatter(
            foreign_pre_chain=shared,
            processors=[
                structlog.stdlib.ProcessorFormatter.remove_processors_meta,
                structlog.processors.dict_tracebacks,
                structlog.processors.JSONRenderer(),
            ],
        )
    )
    root = logging.getLogger()
    root.handlers = [handler]
    root.setLevel(level.upper())
    for name in TALKATIVE:
        logging.getLogger(name).setLevel(logging.DEBUG if level == "debug" else logging.WARNING)
