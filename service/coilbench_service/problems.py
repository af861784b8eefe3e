"""The one place that makes error bodies: RFC 9457 problem details as `application/problem+json`.

Problem                    raised by any of our code, carries its kind, detail and the fields at fault
every HTTPException        unknown route, wrong method, bad range, ...: translated by status
AudioRefused               the header of a sound file: its own code, detail and advice
a database or storage fault    503, may pass
anything else              500 with a reference to the log and nothing of its inside
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, NoReturn

import structlog
from flask import Flask, Response, g, request
from pydantic import ValidationError
from sqlalchemy.exc import InterfaceError, OperationalError
from werkzeug.exceptions import HTTPException

from coilbench_service import problem_kinds as kinds
from coilbench_service.problem_kinds import ProblemKind
from coilbench_worker.audio.header import AudioRefused
from coilbench_worker.metrics import instruments
from coilbench_worker.store.blobs import BlobDamaged

MEDIA_TYPE = "application/problem+json"
RETRY_AFTER_S = 5
MAX_DETAIL_CHARACTERS = 1000
MAX_FIELD_CHARACTERS = 300
MAX_MESSAGE_CHARACTERS = 500
MAX_FIELDS = 20
_log = structlog.get_logger(__name__)
_PLAINER = {
    "extra_forbidden": "is not known here",
    "missing": "is missing",
    "string_too_short": "is empty",
    "too_short": "is empty",
    "finite_number": "must be a finite number",
}
_SMALLER_BODY = "Send less in one request; a recording goes to /v1/takes as multipart/form-data."
_BY_STATUS = {
    400: kinds.BROKEN_REQUEST,
    404: kinds.NOT_FOUND,
    405: kinds.METHOD_NOT_ALLOWED,
    412: kinds.PRECONDITION_FAILED,
    413: kinds.TOO_LARGE,
    416: kinds.RANGE_NOT_SATISFIABLE,
    431: kinds.HEADERS_TOO_LARGE,
}


@dataclass(frozen=True)
class FieldError:
    """One value at fault: where it was (dotted path) and what is wrong with it."""

    field: str
    message: str


class Problem(Exception):
    """An answer that says no, and what to do about it.

    Parameters
    ----------
    kind : from the table of kinds
    detail : one or two sentences about this very request: the value, the limit, the likely cause
    errors : the fields at fault, if input was
    advice : replaces the kind's advice where a better one is known
    headers : further HTTP headers, such as Retry-After
    extensions : further members of the body
    """

    def __init__(
        self,
        kind: ProblemKind,
        detail: str,
        *,
        errors: Iterable[FieldError] = (),
        advice: str | None = None,
        headers: Mapping[str, str] | None = None,
        extensions: Mapping[str, Any] | None = None,
    ) -> None:
        super().__init__(f"{kind.slug}: {detail}")
        self.kind = kind
        self.detail = detail
        self.errors = tuple(errors)
        self.advice = advice or kind.advice
        self.headers = dict(headers or {})
        self.extensions = dict(extensions or {})

    def body(self) -> dict[str, Any]:
        """The problem as a JSON object."""
        document: dict[str, Any] = {
            **self.extensions,
            "type": self.kind.type,
            "title": self.kind.title,
            "status": self.kind.status,
            "detail": _cut(self.detail, MAX_DETAIL_CHARACTERS),
            "advice": self.advice,
        }
        if self.errors:
            document["errors"] = [
                {
                    "field": _cut(error.field, MAX_FIELD_CHARACTERS),
                    "message": _cut(error.message, MAX_MESSAGE_CHARACTERS),
                }
                for error in self.errors[:MAX_FIELDS]
            ]
            if len(self.errors) > MAX_FIELDS:
                document["errors"].append({"field": "", "message": f"and {len(self.errors) - MAX_FIELDS} more"})
        return document


def _cut(text: str, most: int) -> str:
    """What is said about a request quotes it; a quotation has an end."""
    return text if len(text) <= most else f"{text[: most - 3]}..."


def encode(document: Mapping[str, Any]) -> bytes:
    """A problem as bytes."""
    return json.dumps(document, ensure_ascii=False, allow_nan=False).encode()


def answer(problem: Problem) -> Response:
    """The HTTP answer for a problem."""
    instruments().problems.labels(problem.kind.slug).inc()
    response = Response(encode(problem.body()), problem.kind.status, mimetype=MEDIA_TYPE)
    response.headers.update(problem.headers)
    response.headers["Cache-Control"] = "no-store"
    return response


def field_errors(error: ValidationError, prefix: str = "") -> list[FieldError]:
    """The faults that pydantic found, as dotted fields and sentences."""
    found = []
    for fault in error.errors(include_url=False, include_input=False, include_context=False):
        field = ".".join([*([prefix] if prefix else []), *(str(part) for part in fault["loc"])])
        message = _PLAINER.get(fault["type"]) or _plain(fault["msg"])
        found.append(FieldError(field or "body", message))
    return found


def _plain(message: str) -> str:
    """What pydantic says, without its words for programmers; "input" is where a guitar goes in."""
    said = message.removeprefix("Value error, ").partition(", unable to ")[0]
    return f"must {said.removeprefix('Input should ')}" if said.startswith("Input should ") else said


def raise_invalid(error: ValidationError) -> NoReturn:
    """What flask-openapi3 calls when a query, path or body does not fit its model."""
    errors = field_errors(error)
    detail = "; ".join(f"{fault.field}: {fault.message}" for fault in errors[:3])
    raise Problem(kinds.INVALID_REQUEST, detail, errors=errors)


def register(app: Flask) -> None:
    """Make every error of the app a problem."""
    app.register_error_handler(Problem, answer)
    app.register_error_handler(HTTPException, from_http)
    app.register_error_handler(AudioRefused, _from_refusal)
    app.register_error_handler(OperationalError, _from_outage)
    app.register_error_handler(InterfaceError, _from_outage)
    app.register_error_handler(OSError, _from_outage)
    app.register_error_handler(FileNotFoundError, _from_bug)
    app.register_error_handler(BlobDamaged, _from_bug)
    app.register_error_handler(Exception, _from_bug)


def from_refusal(refusal: AudioRefused) -> Problem:
    """The problem for a file that its header already rules out."""
    known = kinds.BY_SLUG.get(refusal.code)
    kind = ProblemKind(
        refusal.code, refusal.status, known.title if known else "This file can't be measured", refusal.advice
    )
    return Problem(kind, refusal.detail, errors=[FieldError("file", refusal.detail)])


def _from_refusal(refusal: AudioRefused) -> Response:
    return answer(from_refusal(refusal))


def from_http(error: HTTPException) -> Response:
    """The HTTP answer for what the framework refused: an unknown address, a wrong method."""
    status = error.code or 500
    if status < 400:
        return Response(status=status, headers=dict(error.get_headers(request.environ)))
    kind = _BY_STATUS.get(status) or (kinds.BROKEN_REQUEST if status < 500 else kinds.INTERNAL_ERROR)
    kept = {"allow", "content-range", "retry-after"}
    headers = {name: value for name, value in error.get_headers(request.environ) if name.lower() in kept}
    if "Allow" in headers:
        headers["Allow"] = ", ".join(sorted(method.strip() for method in headers["Allow"].split(",")))
    advice = _SMALLER_BODY if status == 413 and request.mimetype != "multipart/form-data" else None
    return answer(Problem(kind, _http_detail(status, headers), headers=headers, advice=advice))


def _http_detail(status: int, headers: Mapping[str, str]) -> str:
    if status == 404:
        return f"No route of this service matches {request.path!r}."
    if status == 405:
        return f"{request.path} does not take {request.method}; it takes {headers.get('Allow', 'other methods')}."
    if status == 413:
        limit = request.max_content_length
        sent = request.content_length
        return f"The body has {sent if sent is not None else 'too many'} bytes; at most {limit} are taken here."
    if status == 416:
        return (
            f"Range {request.headers.get('Range', '')!r} lies outside the recording ({headers.get('Content-Range')})."
        )
    return f"{request.method} {request.path} was not understood (HTTP status {status})."


def _from_outage(error: Exception) -> Response:
    if isinstance(error, OSError):  # the database counts its own
        instruments().store_errors.labels("recordings").inc()
    _log.error("store unavailable", error=str(error).splitlines()[:1], reference=g.get("request_id", ""))
    problem = Problem(
        kinds.STORE_UNAVAILABLE,
        "The database or the storage did not answer. What was accepted is safe; this request was not carried out.",
        headers={"Retry-After": str(RETRY_AFTER_S)},
        extensions={"reference": g.get("request_id", "")},
    )
    return answer(problem)


def _from_bug(error: Exception) -> Response:
    reference = g.get("request_id", "")
    _log.exception("request failed", exc_info=error, reference=reference)
    detail = f"The request could not be finished. The server's log has the cause under the reference {reference}."
    return answer(Problem(kinds.INTERNAL_ERROR, detail, extensions={"reference": reference}))
