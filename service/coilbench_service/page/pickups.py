"""The page of all pickups: their sheets with takes counted, one made, many imported, and held against measurements."""

from __future__ import annotations

from typing import Any

from flask import Blueprint, Response
from pydantic import Field

from coilbench_service.bench import Bench
from coilbench_service.charts.specification import specification_chart
from coilbench_service.grouping import FIELDS, FITTED, fitted
from coilbench_service.page.question import asked
from coilbench_service.page.sheets import SheetsQuery, show_list
from coilbench_service.problems import Problem
from coilbench_service.sheet_kind import PICKUP


class PickupsQuery(SheetsQuery):
    """Which page of the list, and whether sheets are held against measurements."""

    against: bool = Field(False, description="Hold the numbers of the sheets against what was measured")


def add(pages: Blueprint, bench: Bench) -> None:
    """Give the blueprint the page at /pickups."""

    @pages.get("/pickups", endpoint="pickups")
    def show_pickups() -> Response:
        query = asked(PickupsQuery)
        return show_list(bench, PICKUP, query, against=query.against, **(_held(bench) if query.against else {}))


def _held(bench: Bench) -> dict[str, Any]:
    """Numbers of the sheets against measurements, or why that can't be."""
    try:
        found = fitted(bench, fields=FIELDS, quantities=FITTED, among=None, session=None, confidence=0.95)
    except Problem as problem:
        return {"fits": None, "unfit": problem.body()}
    return {"fits": found, "unfit": None, "fits_words": specification_chart(found).alternative}
