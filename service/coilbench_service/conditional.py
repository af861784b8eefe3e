"""Answers that heed the conditions of a request, in the order of RFC 9110 section 13.2.2.

Werkzeug knows `If-None-Match`, `If-Modified-Since` and `Range`. Of what must hold first it passes `If-Match: *` as
false, compares a weak tag as a strong one, sends the body with its 412, and does not know `If-Unmodified-Since`.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from flask import Response
from werkzeug.http import parse_date, parse_etags
from werkzeug.wrappers import Request

from coilbench_service import problem_kinds as kinds
from coilbench_service.problems import Problem

WEAK_ADVICE = (
    "Tags of JSON are weak and never hold in If-Match (RFC 9110 section 13.1.1): send If-Unmodified-Since with the "
    "time in `updated`, or If-Match: *."
)
_HANDLED_HERE = ("HTTP_IF_MATCH", "HTTP_IF_UNMODIFIED_SINCE")


class ConditionalResponse(Response):
    """A response whose `make_conditional` refuses, with a problem, what the request did not want in this state."""

    def make_conditional(
        self,
        request_or_environ: dict[str, Any] | Request,
        accept_ranges: bool | str = False,
        complete_length: int | None = None,
    ) -> ConditionalResponse:
        """Answer 304 or 206 where the request's conditions say so.

        Raises
        ------
        Problem : precondition-failed; the response is closed then
        RequestedRangeNotSatisfiable : the range lies outside
        """
        environ = request_or_environ.environ if isinstance(request_or_environ, Request) else request_or_environ
        if (failed := _failed(environ, self)) is not None:
            self.close()
            raise Problem(kinds.PRECONDITION_FAILED, failed)
        rest = {name: value for name, value in environ.items() if name not in _HANDLED_HERE}
        super().make_conditional(rest, accept_ranges, complete_length)
        return self


def require_state(call: Request, *, tag: str, changed: datetime) -> None:
    """Refuse to change or delete what is not in the state that the request asks for.

    Parameters
    ----------
    tag : present weak entity tag, without quotes: `If-Match: *` holds, a list of tags does not
    changed : when it changed last, for `If-Unmodified-Since` (whole seconds)

    Raises
    ------
    Problem : precondition-failed
    """
    present = Response()
    present.set_etag(tag, weak=True)
    present.last_modified = changed
    if (failed := _failed(call.environ, present)) is not None:
        raise Problem(kinds.PRECONDITION_FAILED, failed, advice=WEAK_ADVICE)


def _failed(environ: Mapping[str, Any], response: Response) -> str | None:
    """What was asked and does not hold, as a sentence; None when all holds.

    `If-Match` compares strongly (section 13.1.1): a weak tag, theirs or ours, matches nothing. One in which no tag can
    be read matches nothing either: who sends a condition does not want to act without it.
    """
    if "HTTP_IF_MATCH" in environ:
        asked = parse_etags(environ["HTTP_IF_MATCH"])
        tag, weak = response.get_etag()
        if asked.star_tag or (tag is not None and not weak and asked.is_strong(tag)):
            return None
        now = response.headers.get("ETag", "without a tag")
        return f"If-Match is {environ['HTTP_IF_MATCH']!r:.200}; what is here is {now}."
    moment = parse_date(environ.get("HTTP_IF_UNMODIFIED_SINCE"))
    changed: datetime | None = response.last_modified
    if moment is not None and changed is not None and changed > moment:
        return f"It changed at {response.headers['Last-Modified']}, after the moment of If-Unmodified-Since."
    return None
