"""JSON answers: caching headers, entity tags, links to the next page."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from typing import Any
from urllib.parse import urlencode

from flask import Response, current_app, request

from coilbench_service.conditional import ConditionalResponse


def json_answer(
    document: Any, status: int = 200, *, tagged: bool = False, headers: Mapping[str, str] | None = None
) -> Response:
    """A JSON answer.

    Parameters
    ----------
    document : JSON values
    tagged : give a weak entity tag and answer 304 to a matching If-None-Match (for what rarely changes)
    """
    text = current_app.json.dumps(document) + "\n"
    response = ConditionalResponse(text, status, mimetype="application/json")
    response.headers.update(headers or {})
    response.headers.setdefault("Cache-Control", "no-cache" if tagged else "no-store")
    if tagged:
        response.set_etag(_hash(text), weak=True)
        response.make_conditional(request)
    return response


def tag_of(document: Any) -> str:
    """The entity tag of JSON values, without quotes."""
    return _hash(current_app.json.dumps(document) + "\n")


def page_answer(document: Mapping[str, Any]) -> Response:
    """A list with `items` and `next`; a Link header (RFC 8288) leads to the next page of the same question."""
    response = json_answer(document)
    if document["next"] is not None:
        question = [(name, value) for name, value in request.args.items(multi=True) if name != "cursor"]
        target = f"{request.path}?{urlencode([*question, ('cursor', document['next'])])}"
        response.headers["Link"] = f'<{target}>; rel="next"'
    return response


def _hash(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()[:32]
