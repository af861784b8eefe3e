"""The page of one pickup: its sheet, what was measured of it, what the electrical model says, its takes."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any
from urllib.parse import urlencode

from flask import Blueprint, Response
from sqlalchemy import Connection

from coilbench_service.bench import Bench
from coilbench_service.beside import modelled
from coilbench_service.charts.response import response_chart
from coilbench_service.coil_request import CoilRequest
from coilbench_service.page import coil_fields, figures, sheet_fields
from coilbench_service.page.layout import show
from coilbench_service.page.sheets import found, newest
from coilbench_service.problems import Problem
from coilbench_service.sheet_kind import PICKUP
from coilbench_service.table.pickups import Pickups
from coilbench_worker.measure.catalogue import QUANTITIES
from coilbench_worker.measure.checks import CHECKS
from coilbench_worker.store.takes import TakeFilter

SAID = ("volume_pot_ohm", "tone_pot_ohm", "tone_capacitor_nf", "cable_pf", "input_ohm")
"""Of the usual load, what is said; controls stand fully up."""
Row = dict[str, Any]


def add(pages: Blueprint, bench: Bench) -> None:
    """Give the blueprint the page at /pickups/{key}."""

    @pages.get("/pickups/<key>", endpoint="pickup")
    def show_pickup(key: str) -> Response:
        with bench.database.read() as connection:
            sheet, counted = found(connection, PICKUP, key)
            rows = newest(connection, PICKUP, key)
            row = measured_row(connection, key) if counted.measured else None
        usual = usual_load(sheet or {})
        model, withheld = _model(bench, key, usual) if sheet is not None else (None, None)
        chosen = urlencode({"pickup": key})
        return show(
            "pickup.html",
            here="page.pickups",
            key=key,
            path=PICKUP.path(key),
            sheet=sheet,
            counted=counted,
            rows=rows,
            kinds={kind.code: kind for kind in CHECKS},
            groups=sheet_fields.GROUPS[PICKUP.name],
            own=list(sheet_fields.own_fields(PICKUP, sheet or {})),
            measured=row,
            figures=figures.of_row(row) if row is not None else [],
            model=model,
            model_words=None if model is None else response_chart({key: model}, model.get("beside")).alternative,
            withheld=withheld,
            usual=[(one.bare, usual[one.name], one.unit) for one in coil_fields.LOAD if one.name in usual],
            chosen=chosen,
            loaded=urlencode({"pickup": key, **{name: f"{value:.12g}" for name, value in usual.items()}}),
        )


def measured_row(connection: Connection, key: str) -> Row | None:
    """The row of the table by pickup, single numbers only; None where no take names the key."""
    keys = [quantity.key for quantity in QUANTITIES if not quantity.parts]
    return next(Pickups(connection, TakeFilter(pickup=key), keys).rows(), None)


def usual_load(sheet: Mapping[str, Any]) -> dict[str, float]:
    """What usually hangs on a pickup, of that which its sheet does not say; controls fully up."""
    return {name: value for name, value in coil_fields.USUAL.items() if name in SAID and sheet.get(name) is None}


def _model(bench: Bench, key: str, load: Mapping[str, float]) -> tuple[dict[str, Any] | None, str | None]:
    """What the model says of a pickup by its sheet, or why nothing."""
    try:
        return modelled(bench, CoilRequest.model_validate({"pickup": key, "load": load}).model_dump()), None
    except Problem as problem:
        return None, problem.detail
