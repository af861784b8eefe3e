"""Data sheets of pickups."""

from __future__ import annotations

from flask_openapi3.blueprint import APIBlueprint

from coilbench_service.bench import Bench
from coilbench_service.routes import sheets
from coilbench_service.sheet_kind import PICKUP
from coilbench_service.sheet_view import Pickup, PickupPage

ABOUT = "Data sheets of pickups; takes name a pickup by its key, with or without a sheet"


def blueprint(bench: Bench) -> APIBlueprint:
    """The routes of /v1/pickups."""
    return sheets.blueprint(bench, PICKUP, Pickup, PickupPage, ABOUT)
