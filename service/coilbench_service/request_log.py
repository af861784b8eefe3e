"""One line of log for every request, under an id that the caller sees too (X-Request-Id).

Whatever is logged while a request is answered carries its `request_id`, the take and the job where they are known, and
the key that asked (`key`, bound by who lets it in). The job keeps the id, so that the worker's lines carry it as well.
"""

from __future__ import annotations

import re
import time
import uuid

import structlog
from flask import Flask, Response, g, request

from coilbench_service.selection import ID_PATTERN

_OURS_OR_SANE = re.compile(r"[A-Za-z0-9._-]{1,64}")
_log = structlog.get_logger(__name__)


def about(**named: str | None) -> None:
    """Put what the request turned out to be about, such as `take` and `job`, into its lines of the log."""
    structlog.contextvars.bind_contextvars(**named)


def register(app: Flask) -> None:
    """Name every request and log how it was answered."""
    app.before_request(_begin)
    app.after_request(_end)
    app.teardown_request(_forget)


def _begin() -> None:
    sent = request.headers.get("X-Request-Id", "")
    g.request_id = sent if _OURS_OR_SANE.fullmatch(sent) else uuid.uuid4().hex
    g.began_s = time.perf_counter()
    structlog.contextvars.clear_contextvars()
    about(request_id=g.request_id)
    take_id = (request.view_args or {}).get("take_id")
    if take_id is not None and re.fullmatch(ID_PATTERN, take_id):
        about(take=take_id)


def _end(response: Response) -> Response:
    response.headers["X-Request-Id"] = g.request_id
    _log.info(
        "request",
        method=request.method,
        path=request.path,
        status=response.status_code,
        client=request.remote_addr,
        received_bytes=request.content_length,
        sent_bytes=response.content_length,
        took_ms=round(1000 * (time.perf_counter() - g.began_s), 1),
    )
    return response


def _forget(_: BaseException | None) -> None:
    structlog.contextvars.clear_contextvars()
