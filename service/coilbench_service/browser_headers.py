"""What every answer tells a browser not to do with it, whatever the answer is."""

from __future__ import annotations

from flask import Response, g, request

from coilbench_worker.configuration import Configuration

NOTHING_ELSE = "default-src 'none'; frame-ancestors 'none'"
"""Policy of answers that bring none of their own: they load nothing, and stand in no frame."""
SAME_FOR_ALL = {
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Permissions-Policy": "camera=(), display-capture=(), geolocation=(), microphone=(), midi=(), payment=(), usb=()",
}
"""Other sites are told nothing of where somebody came from. Our own are: a browser that may not say so to them either
sends `Origin: null` with the forms of our own pages (Fetch standard, "append a request Origin header")."""
SECURE_FOR_S = 365 * 24 * 3600


def protect(response: Response, configuration: Configuration) -> Response:
    """Give an answer its headers.

    That https is to be used from now on is only said where a proxy that is believed says that it was used; what was
    answered to a key may be kept by that one's browser, never by a cache that others use.
    """
    response.headers.update(SAME_FOR_ALL)
    response.headers.setdefault("Content-Security-Policy", NOTHING_ELSE)
    if configuration.trusted_proxies and request.is_secure:
        response.headers["Strict-Transport-Security"] = f"max-age={SECURE_FOR_S}"
    asker = g.get("asker")
    if asker is not None and asker.key_id is not None and not response.cache_control.no_store:
        if response.cache_control:
            response.cache_control.public = False
            response.cache_control.private = True
        else:
            response.headers["Cache-Control"] = "no-store"
    return response
