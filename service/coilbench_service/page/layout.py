"""What every page has: its frame and navigation, its policy, and how a problem looks to a person."""

from __future__ import annotations

from importlib.metadata import version
from typing import Any

from flask import Blueprint, Response, current_app, g, render_template, request, url_for
from werkzeug.exceptions import NotFound

from coilbench_service import problems
from coilbench_service.asker import READ
from coilbench_service.conditional import ConditionalResponse
from coilbench_service.problems import Problem

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; media-src 'self' blob:; "
    "connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
NAVIGATION = (
    ("page.takes", "Recordings"),
    ("page.pickups", "Pickups"),
    ("page.sessions", "Sessions"),
    ("page.compare", "Compare"),
    ("page.choose", "Choose"),
    ("page.coil", "Coil"),
)
"""Endpoint and label, in the order of work; a page that is not there is not listed."""


def show(template: str, status: int = 200, *, here: str, **content: Any) -> Response:
    """A page as an answer.

    Parameters
    ----------
    template : a name in templates/ that extends layout.html
    here : endpoint of the navigation's entry that the page belongs to
    content : for the template; a name it lacks is an error (StrictUndefined)
    """
    places = [(name, label) for name, label in NAVIGATION if name in current_app.view_functions]
    signed_in = g.asker.name if g.get("signed_in") else None
    frame = {"here": here, "places": places if _may_read() else [], "signed_in": signed_in}
    text = render_template(template, **frame, version=version("coilbench"), **content)
    response = ConditionalResponse(text, status, mimetype="text/html")
    response.headers["Cache-Control"] = "no-store"
    response.headers["Content-Security-Policy"] = POLICY
    return response


def register(pages: Blueprint) -> None:
    """Give pages their policy, and people a page for a problem; who does not ask for HTML gets it as JSON."""

    @pages.after_request
    def protect(response: Response) -> Response:
        response.headers["Content-Security-Policy"] = POLICY
        return response

    @pages.errorhandler(Problem)
    def say(problem: Problem) -> Response:
        if not _by_a_person():
            return problems.answer(problem)
        if problem.kind.status == 401 and request.method == "GET" and "Authorization" not in request.headers:
            there = request.full_path.rstrip("?") if request.path != "/" or request.args else None
            headers = {"Location": url_for("page.sign_in", to=there), "Cache-Control": "no-store"}
            return Response(status=303, headers=headers)
        body = problem.body()
        if problem.kind.status == 429 and "Retry-After" in problem.headers:  # the advice is for programs
            body["advice"] = f"Try again in {problem.headers['Retry-After']} s."
        response = show("problem.html", problem.kind.status, here="", problem=body)
        response.headers.update(problem.headers)
        return response

    @pages.app_errorhandler(404)
    def nowhere(error: NotFound) -> Response:
        answer = problems.from_http(error)
        if request.url_rule is not None or not _by_a_person():
            return answer
        return show("problem.html", 404, here="", problem=answer.get_json())


def _may_read() -> bool:
    """Whether the pages can be opened at all: without a sign-in only that for signing in."""
    asker = g.get("asker")
    return asker is not None and READ in asker.scopes


def _by_a_person() -> bool:
    wanted = request.accept_mimetypes
    return wanted.quality("text/html") > wanted.quality(problems.MEDIA_TYPE)
