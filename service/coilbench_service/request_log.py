"""One line of log for every request, under an id that the caller sees too (X-Request-Id)."""

from __future__ import annotations

import re
import time
import uuid

import structlog
from flask import Flask, Response, g, request

_OURS_OR_SANE = re.compile(r"[A-Za-z0-9._-]{1,64}")
_log = structlog.get_logger(__name__)


def register(app: Flask) -> None:
    """Name every request and log how it was answered."""
    app.before_request(_begin)
    app.after_request(_end)
    app.teardown_request(_forget)


def _begin() -> None:
    sent = request.headers.get("X-Request-Id", "")
    g.request_id = sent if _OURS_OR_SANE.fullmatch(sent) else uuid.uuid4().hex
    g.began_s = time.perf_counter()
    structlog.contextvars.bind_contextvars(request_id=g.request_id)


def _end(response: Response) -> Response:
    response.headers["X-Request-Id"] = g.request_id
    _log.info(
        "request",
        method=request.method,
        path=request.path,
        status=response.status_code,
        took_ms=round(1000 * (time.perf_counter() - g.began_s), 1),
    )
    return response


def _forget(_: BaseException | None) -> None:
    structlog.contextvars.unbind_contextvars("request_id")
