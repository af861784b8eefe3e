"""The page of all pickups: their sheets with takes counted, one made, many imported."""

from __future__ import annotations

from flask import Blueprint, Response

from coilbench_service.bench import Bench
from coilbench_service.page.sheets import show_list
from coilbench_service.sheet_kind import PICKUP


def add(pages: Blueprint, bench: Bench) -> None:
    """Give the blueprint the page at /pickups."""

    @pages.get("/pickups", endpoint="pickups")
    def show_pickups() -> Response:
        return show_list(bench, PICKUP)
