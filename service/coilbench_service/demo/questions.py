"""What the demonstration asks its server over HTTP, beside the user's own commands."""

import json
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Mapping
from typing import Any

from .programs import DemoFailed

HTTP_TIMEOUT_S = 30.0


def get(address: str, path: str) -> dict[str, Any]:
    """The answer to a GET; DemoFailed with the problem where there is none."""
    return _answer(urllib.request.Request(urllib.parse.urljoin(address, path)))


def post(address: str, path: str, body: Mapping[str, Any]) -> dict[str, Any]:
    """The answer to a POST of JSON; DemoFailed with the problem where there is none."""
    headers = {"Content-Type": "application/json"}
    return _answer(urllib.request.Request(urllib.parse.urljoin(address, path), json.dumps(body).encode(), headers))


def _answer(request: urllib.request.Request) -> dict[str, Any]:
    try:
        with urllib.request.urlopen(request, timeout=HTTP_TIMEOUT_S) as answer:
            document: dict[str, Any] = json.load(answer)
    except urllib.error.HTTPError as error:
        problem = error.read().decode("utf-8", "replace")
        asked = f"{request.get_method()} {request.full_url}"
        raise DemoFailed(f"{asked} answered {error.code}: {problem}") from error
    return document
