"""A chart as an answer: SVG, PNG or its own document, whichever the request accepts."""

from __future__ import annotations

import hashlib
import json
from typing import Any, Literal

from flask import Response, request
from pydantic import BaseModel, ConfigDict, Field

from coilbench_service import problem_kinds as kinds
from coilbench_service.accepted import form_accepted
from coilbench_service.charts import drawing
from coilbench_service.charts.chart import Chart
from coilbench_service.charts.drawer import DrawingBusy
from coilbench_service.conditional import ConditionalResponse
from coilbench_service.problems import Problem

Form = Literal["svg", "png", "json"]
SVG, PNG, DOCUMENT = "image/svg+xml", "image/png", "application/json"
_FORMS: dict[str, Form] = {SVG: "svg", PNG: "png", DOCUMENT: "json"}
RETRY_AFTER_S = "10"
STILL = "default-src 'none'; style-src 'unsafe-inline'; frame-ancestors 'none'"
"""For an SVG opened by itself: nothing runs, nothing is fetched."""
CHART_BODIES: dict[str, Any] = {
    "description": "The chart: SVG, PNG, or its Vega-Lite document with data and text alternative (`description`)",
    "content": {SVG: {"schema": {}}, PNG: {"schema": {}}, DOCUMENT: {"schema": {"type": "object"}}},
}


class ChartForm(BaseModel):
    """How a chart is wanted."""

    model_config = ConfigDict(extra="forbid")

    format: Form | None = Field(None, description="svg, png or json; goes before the Accept header; else SVG")
    scale: float = Field(2.0, ge=0.5, le=4.0, description="Of PNG: pixels for each px of the SVG")


def chart_answer(chart: Chart, form: ChartForm) -> Response:
    """The chart in the form asked for; tagged, so that what has not changed is not sent again.

    Raises
    ------
    Problem : not-acceptable, too-many-charts
    """
    chosen = form.format or form_accepted(_FORMS, "svg")
    text = json.dumps(chart.document(), ensure_ascii=False, allow_nan=False, sort_keys=True)
    tag = hashlib.sha256(f"{chosen} {form.scale if chosen == 'png' else ''} {text}".encode()).hexdigest()[:32]
    response = ConditionalResponse(b"", mimetype=next(kind for kind, known in _FORMS.items() if known == chosen))
    response.headers["Cache-Control"] = "no-cache"
    response.headers["Vary"] = "Accept"
    response.headers["Content-Disposition"] = f'inline; filename="{chart.name}.{chosen}"'
    if chosen == "svg":
        response.headers["Content-Security-Policy"] = STILL
    response.set_etag(tag, weak=True)
    response.make_conditional(request)
    if response.status_code != 304:  # drawn only when it is to be sent
        response.set_data(text if chosen == "json" else _drawn(chart, chosen, form.scale))
    return response


def _drawn(chart: Chart, form: Form, scale: float) -> bytes:
    try:
        return drawing.svg(chart).encode() if form == "svg" else drawing.png(chart, scale)
    except DrawingBusy as error:
        detail = f"The chart was not drawn: {error}."
        raise Problem(kinds.TOO_MANY_CHARTS, detail, headers={"Retry-After": RETRY_AFTER_S}) from error
