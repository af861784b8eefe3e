"""The page where a browser signs in with an access key, and the way out again."""

from __future__ import annotations

import re
from urllib.parse import urlsplit

from flask import Blueprint, Response, request, url_for

from coilbench_service import sign_in
from coilbench_service.admission import REALM, keys_needed
from coilbench_service.bench import Bench
from coilbench_service.page.layout import show

HOURS = round(sign_in.LASTS.total_seconds() / 3600)
LONGEST_TARGET = 2000


def add(pages: Blueprint, bench: Bench) -> None:
    """Give the blueprint the page at /sign-in, and /sign-out."""
    needed = keys_needed(bench.configuration)

    @pages.route("/sign-in", methods=["GET", "POST"], endpoint="sign_in")
    def show_sign_in() -> Response:
        """The page where a browser signs in with an access key."""
        if not needed:
            return _gone_to("/")
        if request.method == "GET":
            target = local(request.args.get("to", "/"))
            return show("sign_in.html", here="", target=target, hours=HOURS, refused=False)
        target = local(request.form.get("to", "/"))
        token = sign_in.begin(bench.database, request.form.get("key", ""))
        if token is None:
            response = show("sign_in.html", 401, here="", target=target, hours=HOURS, refused=True)
            response.headers["WWW-Authenticate"] = f'Bearer realm="{REALM}"'
            return response
        response = _gone_to(target)
        sign_in.give(response, request, token)
        return response

    @pages.post("/sign-out", endpoint="sign_out")
    def sign_out() -> Response:
        """Signs this browser out; its cookie opens nothing more."""
        if not needed:
            return _gone_to("/")
        sign_in.end(bench.database, request)
        response = _gone_to(url_for("page.sign_in"))
        sign_in.take_back(response, request)
        return response


def local(target: str) -> str:
    r"""An address of this service to go to; the first page in the place of one that is elsewhere, or no address.

    Browsers read `//host` and `/\host` as another host, and leave out tabs and line ends before they look.
    """
    here = len(target) <= LONGEST_TARGET and re.fullmatch(r"/(?:[!-.0-\[\]-~][!-\[\]-~]*)?", target) is not None
    return target if here and not urlsplit(target).netloc else "/"


def _gone_to(target: str) -> Response:
    response = Response(status=303, headers={"Location": target})
    response.headers["Cache-Control"] = "no-store"
    return response
