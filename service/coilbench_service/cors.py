"""Pages of other origins that may call the API from a browser: none, unless COILBENCH_CORS_ORIGINS names them.

Such a page shows a key like any program (Authorization); cookies of a sign-in count for nothing there, as the answer
never says Access-Control-Allow-Credentials. The protocol is that of the Fetch standard (fetch.spec.whatwg.org).
"""

from __future__ import annotations

from flask import Flask, Request, Response, request

from coilbench_worker.configuration import Configuration

API = ("/v1/", "/problems")
METHODS = "GET, HEAD, POST, PUT, PATCH, DELETE"
TAKEN = (
    "Accept, Authorization, Content-Type, Idempotency-Key, If-Match, If-None-Match, If-Unmodified-Since, Prefer, "
    "Range, X-Request-Id"
)
SHOWN = (
    "Content-Disposition, Content-Range, ETag, Link, Location, Preference-Applied, RateLimit, RateLimit-Policy, "
    "Retry-After, X-Request-Id"
)
REMEMBERED_S = 600


def allowed_origin(call: Request, configuration: Configuration) -> str | None:
    """The origin of the page that asks, when it is one of those that may; pages of ours are for none of them."""
    origin = call.headers.get("Origin", "")
    allowed = origin.lower() in configuration.origins_allowed and call.path.startswith(API)
    return origin if allowed else None


def preflight(call: Request, configuration: Configuration) -> Response | None:
    """The answer to a browser that asks on a page's behalf what it may send; None when it does not."""
    asks = call.method == "OPTIONS" and "Access-Control-Request-Method" in call.headers
    if not asks or allowed_origin(call, configuration) is None:
        return None
    response = Response(status=204)
    response.headers["Access-Control-Allow-Methods"] = METHODS
    response.headers["Access-Control-Allow-Headers"] = TAKEN
    response.headers["Access-Control-Max-Age"] = str(REMEMBERED_S)
    return response


def register(app: Flask, configuration: Configuration) -> None:
    """Let pages of the named origins read the answers of the API."""
    if not configuration.origins_allowed:
        return

    @app.after_request
    def allow(response: Response) -> Response:
        response.vary.add("Origin")
        origin = allowed_origin(request, configuration)
        if origin is not None:
            response.headers["Access-Control-Allow-Origin"] = origin
            response.headers["Access-Control-Expose-Headers"] = SHOWN
        return response
