"""Sessions: takes recorded under one plan, and the conditions that they inherit."""

from __future__ import annotations

from flask_openapi3.blueprint import APIBlueprint

from coilbench_service.bench import Bench
from coilbench_service.routes import sheets
from coilbench_service.sheet_kind import SESSION
from coilbench_service.sheet_view import Session, SessionPage

ABOUT = "Takes recorded under one plan, and the conditions that they inherit unless they state their own"


def blueprint(bench: Bench) -> APIBlueprint:
    """The routes of /v1/sessions."""
    return sheets.blueprint(bench, SESSION, Session, SessionPage, ABOUT)
