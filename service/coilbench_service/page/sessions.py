"""The page of all sessions: takes recorded under one plan, and the conditions that they share."""

from __future__ import annotations

from flask import Blueprint, Response

from coilbench_service.bench import Bench
from coilbench_service.page.question import asked
from coilbench_service.page.sheets import SheetsQuery, show_list
from coilbench_service.sheet_kind import SESSION


def add(pages: Blueprint, bench: Bench) -> None:
    """Give the blueprint the page at /sessions."""

    @pages.get("/sessions", endpoint="sessions")
    def show_sessions() -> Response:
        return show_list(bench, SESSION, asked(SheetsQuery))
