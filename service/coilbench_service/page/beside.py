"""Takes side by side: one picture on one scale, what differs in how they were recorded, the figures, and to listen."""

from __future__ import annotations

from typing import Any
from urllib.parse import urlencode

from flask import Blueprint, Response
from pydantic import BaseModel, ConfigDict, Field

from coilbench_service.bench import Bench
from coilbench_service.charts.beside import LEAST_TAKES, MOST_TAKES
from coilbench_service.conditions import CONDITIONS
from coilbench_service.page import description, figures
from coilbench_service.page.layout import show
from coilbench_service.page.question import asked
from coilbench_service.page.take import MATCHED_LUFS, row_of


class BesideQuery(BaseModel):
    """Which takes."""

    model_config = ConfigDict(extra="forbid")

    take: list[str] = Field([], max_length=MOST_TAKES, description="Takes by id, in the order shown")


def add(pages: Blueprint, bench: Bench) -> None:
    """Give the blueprint the page at /takes/beside."""

    @pages.get("/takes/beside", endpoint="beside")
    def show_beside() -> Response:
        query = asked(BesideQuery)
        ids = list(dict.fromkeys(query.take))
        with bench.database.read() as connection:
            rows = [row_of(connection, take_id) for take_id in ids]
        measured = [row for row in rows if row["measurement"] is not None]
        documents = [row["measurement"] for row in measured]
        chosen = urlencode([("take", row["take"]["id"]) for row in measured])
        return show(
            "beside.html",
            here="page.takes",
            rows=rows,
            measured=measured,
            left_out=[row["take"] for row in rows if row["measurement"] is None],
            chart=f"/v1/charts/takes?{chosen}",
            differing=differing([row["take"] for row in measured]),
            groups=figures.of_strums(documents),
            matched_lufs=MATCHED_LUFS,
            least=LEAST_TAKES,
            most=MOST_TAKES,
        )


def differing(takes: list[dict[str, Any]]) -> list[tuple[str, list[Any]]]:
    """Conditions that are not the same for all: the label of the field, and its value for each take."""
    found = []
    for field in description.FIELDS:
        values = [take["described"].get(field.name) for take in takes]
        if field.name in CONDITIONS and any(value != values[0] for value in values):
            found.append((field.label, values))
    return found
