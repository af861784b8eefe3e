"""JSON as the service reads and writes it: strict, finite, UTF-8.

Refused on the way in, although Python's reader takes them: names given twice in one object (RFC 8259 section 4 leaves
their meaning open), NaN and Infinity, numbers too large for a double; lone surrogates and NUL, which no database keeps.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any, NoReturn

from flask import Flask, Request, Response, request
from flask.json.provider import JSONProvider

from coilbench_service import problem_kinds as kinds
from coilbench_service.problems import FieldError, Problem

MERGE_PATCH = "application/merge-patch+json"  # RFC 7396
MAX_BODY_BYTES = 1 << 20
SHOWN_DIGITS = 12
"""Of a number that is refused: enough to find it again."""


class BadJson(ValueError):
    """The text is not JSON as we take it; `field` is the name at fault, where there is one."""

    def __init__(self, message: str, field: str | None = None) -> None:
        super().__init__(message)
        self.field = field


def read(text: bytes | str) -> Any:
    """Read one JSON value.

    Raises
    ------
    BadJson : not JSON, a name twice, not finite, not Unicode, nested too deeply
    """
    try:
        if isinstance(text, bytes):
            text = text.decode("utf-8")
        value = json.loads(
            text,
            object_pairs_hook=_object_of,
            parse_constant=_refuse_constant,
            parse_float=_finite_float,
            parse_int=_whole_number,
        )
    except UnicodeDecodeError as error:
        raise BadJson(f"not UTF-8: byte {error.object[error.start]:#04x} at position {error.start}") from error
    except json.JSONDecodeError as error:
        raise BadJson(f"{error.msg} at line {error.lineno}, column {error.colno}") from error
    except RecursionError as error:
        raise BadJson("nested too deeply") from error
    except BadJson:
        raise
    except ValueError as error:  # an integer of thousands of digits
        raise BadJson("a number has too many digits") from error
    return value


def _object_of(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    document: dict[str, Any] = {}
    for name, value in pairs:
        if name in document:
            raise BadJson(f"the name {name!r} is given twice in one object", name)
        _refuse_unstorable(name, name)
        for text in _texts_of(value):
            _refuse_unstorable(text, name)
        document[name] = value
    return document


def _texts_of(value: Any) -> Iterator[str]:
    """The texts of a value, also in lists within lists; objects have been looked at when they were made."""
    left = [value]
    while left:
        one = left.pop()
        if isinstance(one, str):
            yield one
        elif isinstance(one, list):
            left.extend(one)


def _refuse_unstorable(text: str, name: str) -> None:
    if "\x00" in text:
        raise BadJson(f"{name!r} holds a NUL character", name)
    try:
        text.encode("utf-8")
    except UnicodeEncodeError as error:
        raise BadJson(f"{name!r:.80} holds half of a surrogate pair, which is not Unicode text") from error


def _refuse_constant(name: str) -> NoReturn:
    raise BadJson(f"{name} is not JSON; leave a value out or send null when it is not known")


def _finite_float(digits: str) -> float:
    number = float(digits)
    if not math.isfinite(number):
        raise BadJson(f"the number {_in_short(digits)} is too large")
    return number


def _whole_number(digits: str) -> int:
    number = int(digits)
    try:
        float(number)
    except OverflowError as error:
        raise BadJson(f"the number {_in_short(digits)} is too large") from error
    return number


def _in_short(digits: str) -> str:
    return digits if len(digits) <= SHOWN_DIGITS else f"{digits[:SHOWN_DIGITS]}... of {len(digits)} digits"


class StrictJson(JSONProvider):
    """Flask's JSON, read and written by the rules of this module."""

    def dumps(self, obj: Any, **kwargs: Any) -> str:
        """Write compactly; NaN and infinity are an error here, never text."""
        return json.dumps(obj, ensure_ascii=False, allow_nan=False, separators=(",", ":"), default=_plain)

    def loads(self, s: str | bytes, **kwargs: Any) -> Any:
        """Read strictly."""
        return read(s)

    def response(self, *args: Any, **kwargs: Any) -> Response:
        """A JSON answer."""
        value = self._prepare_response_obj(args, kwargs)
        return Response(self.dumps(value) + "\n", mimetype="application/json")


def _plain(value: Any) -> Any:
    if isinstance(value, datetime):
        return rfc3339(value)
    raise TypeError(f"{type(value).__name__} has no JSON form here")


def rfc3339(moment: datetime) -> str:
    """A moment in UTC as RFC 3339 text, such as 2026-03-01T09:30:00.123456Z."""
    return moment.astimezone(UTC).isoformat().replace("+00:00", "Z")


def require_json_body(call: Request = request, *, or_else: str | None = None) -> None:
    """Refuse a body that is not one strict JSON object, before any route sees it.

    Parameters
    ----------
    or_else : another type of body that the route takes, to be named when this one is of neither

    Raises
    ------
    Problem : not-json (415), broken-json (400), invalid-request (422, JSON but not an object)
    """
    if call.mimetype not in ("application/json", MERGE_PATCH):
        sent = call.mimetype or "a body without Content-Type"
        taken = "application/json" + (f" or {or_else}" if or_else else "")
        advice = f"Send Content-Type: {taken}." if or_else else None
        raise Problem(kinds.NOT_JSON, f"{call.method} {call.path} takes {taken}; {sent} was sent.", advice=advice)
    if call.mimetype_params.get("charset", "utf-8").lower() not in ("utf-8", "utf8", "us-ascii"):
        raise Problem(kinds.NOT_JSON, "JSON is sent in UTF-8 (RFC 8259 section 8.1).")
    try:
        body = read(call.get_data())
    except BadJson as error:
        raise _broken(error) from error
    if not isinstance(body, dict):
        raise Problem(
            kinds.INVALID_REQUEST,
            f"The body is a JSON {_kind_of(body)}; an object is wanted.",
            errors=[FieldError("body", "must be a JSON object")],
        )


def _broken(error: BadJson) -> Problem:
    errors = [FieldError(error.field or "body", str(error))]
    return Problem(kinds.BROKEN_JSON, f"The body is not JSON as it is taken here: {error}.", errors=errors)


def _kind_of(value: object) -> str:
    if value is None:
        return "null"
    if isinstance(value, bool):
        return "true or false"
    return {str: "text", list: "list", int: "number", float: "number", dict: "object"}.get(type(value), "value")


def install(app: Flask) -> None:
    """Make the app read and write JSON by these rules."""
    app.json = StrictJson(app)


kind_of = _kind_of
