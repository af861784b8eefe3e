"""The page: HTML for people at `/`, rendered here from what the routes of the API show, for reading without scripts.

Reading is done here; changing goes through the API like anybody's change, by the scripts in static/ (fetch). So there
is one definition of every label, check and error, and one set of checks of what is sent.
"""

from __future__ import annotations

from flask import Blueprint
from jinja2 import StrictUndefined

from coilbench_service.bench import Bench
from coilbench_service.page import (
    addresses,
    beside,
    choose,
    coil,
    compare,
    layout,
    pickup,
    pickups,
    session,
    sessions,
    sheet_fields,
    sign_in,
    take,
    takes,
    written,
)

PAGES = (takes, take, beside, pickups, pickup, sessions, session, compare, choose, coil, sign_in)
"""Each has `add(pages, bench)`, which gives the blueprint its routes."""


def blueprint(bench: Bench) -> Blueprint:
    """The pages and their files, each by a route of its own."""
    pages = Blueprint("page", __name__, template_folder="templates", static_folder="static", static_url_path="/static")
    for page in PAGES:
        page.add(pages, bench)

    @pages.record
    def prepare(state):  # type: ignore[no-untyped-def] # BlueprintSetupState is no public name
        state.app.jinja_env.undefined = StrictUndefined
        state.app.jinja_env.filters |= written.FILTERS | addresses.FILTERS | sheet_fields.FILTERS

    layout.register(pages)
    return pages
