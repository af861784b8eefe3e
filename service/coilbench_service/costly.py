"""Questions that cost much, and how many of them are answered at a time: whoever asks many keeps no others out.

A place is held until the answer is made, or sent where it is made while it is sent. Together with those who wait for
takes (waiting.py) they never have all threads of the server.
"""

from __future__ import annotations

import weakref
from collections.abc import Callable, Iterable
from contextlib import ExitStack
from typing import Any, cast

from flask import Flask, Response, g, request

from coilbench_service import problem_kinds as kinds
from coilbench_service.places import NoPlace, Places
from coilbench_service.problems import Problem

AT_ONCE, MOST_WAITING, WITHIN_S = 8, 4, 20.0
BLUEPRINTS = frozenset(
    {
        "charts",
        "choices",
        "coils",
        "comparisons",
        "groupings",
        "reports",
        "studies",
        "table",
        "take_charts",
        "takes_beside",
    }
)
PAGES = frozenset({"page.beside", "page.choose", "page.compare", "page.pickup", "page.session"})


def register(app: Flask) -> None:
    """Let only so many in; to be registered after those who look at the key."""
    places = Places(AT_ONCE, MOST_WAITING, WITHIN_S)

    @app.before_request
    def take() -> None:
        endpoint = request.endpoint or ""
        if endpoint in PAGES or endpoint.partition(".")[0] in BLUEPRINTS:
            g.costly = _taken(places)

    @app.after_request
    def hold(response: Response) -> Response:
        place: ExitStack | None = g.get("costly")
        if place is not None and response.is_streamed and not response.direct_passthrough:
            response.response = cast(Iterable[bytes], Held(response.response, g.pop("costly").close))
        return response

    @app.teardown_request
    def give_back(_: BaseException | None) -> None:
        place: ExitStack | None = g.pop("costly", None)
        if place is not None:
            place.close()


class Held:
    """Pieces of an answer that give their place back when they end, are closed or forgotten, whichever is first."""

    def __init__(self, pieces: Iterable[str] | Iterable[bytes], give_back: Callable[[], None]) -> None:
        self._all = pieces
        self._pieces = iter(pieces)
        self._give_back = weakref.finalize(self, give_back)

    def __iter__(self) -> Held:
        return self

    def __next__(self) -> Any:
        try:
            return next(self._pieces)
        except BaseException:
            self._give_back()
            raise

    def close(self) -> None:
        """Nobody takes the rest."""
        try:
            close = getattr(self._all, "close", None)
            if close is not None:
                close()
        finally:
            self._give_back()


def _taken(places: Places) -> ExitStack:
    place = ExitStack()
    try:
        place.enter_context(places.taken())
    except NoPlace as error:
        detail = (
            f"{AT_ONCE} questions that cost much are answered at a time, and {MOST_WAITING} may wait {WITHIN_S:g} s."
        )
        raise Problem(kinds.TOO_MANY_QUESTIONS, detail, headers={"Retry-After": "5"}) from error
    return place
