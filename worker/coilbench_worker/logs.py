"""The log: one JSON object a line on standard error, with take and job where there is one.

An exception is logged as its traceback alone: local variables would bring along samples by the thousand and, with the
settings, passwords. Passwords in addresses are masked wherever they turn up; long values are cut; control characters,
which could draw lines of their own on a terminal, are escaped by JSON.
"""

from __future__ import annotations

import logging
import sys
from collections.abc import MutableMapping
from typing import Any

import structlog

from coilbench_worker.passwords import masked

# Libraries that tell of every step; heard at `debug` only, their warnings always.
TALKATIVE = ("alembic", "celery", "kombu", "amqp", "urllib3", "fsspec")
SECRETIVE = ("botocore",)
"""Libraries whose every step tells signatures; never heard but for warnings."""
LONGEST_VALUE = 2_000
LONGEST_TRACEBACK = 20_000


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
                structlog.processors.format_exc_info,
                mask,
                structlog.processors.JSONRenderer(),
            ],
        )
    )
    root = logging.getLogger()
    root.handlers = [handler]
    root.setLevel(level.upper())
    for name in SECRETIVE:
        logging.getLogger(name).setLevel(logging.WARNING)
    for name in TALKATIVE:
        logging.getLogger(name).setLevel(logging.DEBUG if level == "debug" else logging.WARNING)


def mask(_logger: object, _method: str, line: MutableMapping[str, Any]) -> MutableMapping[str, Any]:
    """A processor that masks passwords in every text of a line, and cuts what is too long.

    Of a traceback the end is kept, which names the error; of everything else the beginning.
    """
    return {name: _traceback(value) if name == "exception" else _masked(value) for name, value in line.items()}


def _masked(value: Any) -> Any:
    if isinstance(value, str):
        return _cut(masked(value))
    if isinstance(value, dict):
        return {_cut(str(name)): _masked(part) for name, part in value.items()}
    if isinstance(value, list | tuple):
        return [_masked(part) for part in value]
    return value if value is None or isinstance(value, bool | int | float) else _cut(masked(repr(value)))


def _cut(text: str) -> str:
    return text if len(text) <= LONGEST_VALUE else f"{text[:LONGEST_VALUE]}... ({len(text)} characters)"


def _traceback(value: Any) -> str:
    text = masked(str(value))
    return text if len(text) <= LONGEST_TRACEBACK else f"({len(text)} characters) ...{text[-LONGEST_TRACEBACK:]}"
