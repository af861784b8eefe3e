"""A picture of several takes side by side."""

from __future__ import annotations

from typing import Annotated, Any

from flask import Response
from flask_openapi3.blueprint import APIBlueprint
from pydantic import Field, StringConstraints, field_validator

from coilbench_service.bench import Bench
from coilbench_service.chart_answer import CHART_BODIES, ChartForm, chart_answer
from coilbench_service.charts.beside import LEAST_TAKES, MOST_TAKES, beside_chart
from coilbench_service.openapi import answers
from coilbench_service.pictured import pictured_takes
from coilbench_service.question import each_once
from coilbench_service.routes.take_charts import PROBLEMS, TAG
from coilbench_service.selection import ID_PATTERN, split_list


class TakesBeside(ChartForm):
    """The takes that are to stand side by side."""

    take: list[Annotated[str, StringConstraints(pattern=ID_PATTERN)]] = Field(
        description=f"Ids of {LEAST_TAKES} to {MOST_TAKES} takes, in the order in which they are to stand; repeat or "
        "separate by commas",
        min_length=LEAST_TAKES,
        max_length=MOST_TAKES,
    )

    @field_validator("take", mode="before")
    @classmethod
    def _split(cls, values: Any) -> Any:
        return split_list(values)

    @field_validator("take")
    @classmethod
    def _each_once(cls, takes: list[str]) -> list[str]:
        return each_once(takes)


def blueprint(bench: Bench) -> APIBlueprint:
    """The route of /v1/charts/takes."""
    api = APIBlueprint("takes_beside", __name__, url_prefix="/v1/charts/takes", abp_tags=[TAG])

    @api.get("", responses=answers({200: CHART_BODIES}, *PROBLEMS))
    def draw_takes(query: TakesBeside) -> Response:
        """Takes side by side: their recordings on one scale of amplitude and time, and their figures."""
        return chart_answer(beside_chart(pictured_takes(bench, query.take)), query)

    return api
