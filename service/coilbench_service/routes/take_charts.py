"""Pictures of one take."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Literal

from flask import Response
from flask_openapi3.blueprint import APIBlueprint
from flask_openapi3.models.tag import Tag
from pydantic import Field

from coilbench_service import problem_kinds as kinds
from coilbench_service.bench import Bench
from coilbench_service.chart_answer import CHART_BODIES, ChartForm, chart_answer
from coilbench_service.charts.chart import Chart
from coilbench_service.charts.decay import decay_chart
from coilbench_service.charts.envelopes import envelopes_chart
from coilbench_service.charts.take_bands import bands_chart
from coilbench_service.charts.waveform import waveform_chart
from coilbench_service.openapi import answers
from coilbench_service.pictured import Pictured, pictured
from coilbench_service.routes.takes import TakePath

TAG = Tag(name="charts", description="Pictures, as SVG, PNG or their own document")
Name = Literal["waveform", "envelopes", "decay", "bands"]


@dataclass(frozen=True)
class TakeChart:
    """One kind of picture: what it shows, and how it is made of a take."""

    shows: str
    made: Callable[[Pictured], Chart]


CHARTS: Mapping[Name, TakeChart] = {
    "waveform": TakeChart(
        "The whole recording with its strums, and where checks found something",
        lambda take: waveform_chart(take.label, take.document, take.traces),
    ),
    "envelopes": TakeChart(
        "Levels of all strums from their onsets, with the windows in which they are measured",
        lambda take: envelopes_chart(take.label, take.document, take.traces),
    ),
    "decay": TakeChart(
        "The energy decay curve of each strum with its fitted line",
        lambda take: decay_chart(take.label, take.strums, take.traces),
    ),
    "bands": TakeChart(
        "Third-octave levels of each strum and their mean",
        lambda take: bands_chart(take.label, take.document),
    ),
}


class ChartPath(TakePath):
    """A picture of a take."""

    name: Name = Field(description="; ".join(f"{name}: {chart.shows}" for name, chart in CHARTS.items()))


def blueprint(bench: Bench) -> APIBlueprint:
    """The route of /v1/takes/{take_id}/charts/{name}."""
    api = APIBlueprint("take_charts", __name__, url_prefix="/v1/takes/<take_id>/charts", abp_tags=[TAG])

    @api.get("/<name>", responses=answers({200: CHART_BODIES}, *PROBLEMS))
    def draw_take(path: ChartPath, query: ChartForm) -> Response:
        """A picture of a take; it can stand in a page as an image."""
        return chart_answer(CHARTS[path.name].made(pictured(bench, path.take_id)), query)

    return api


PROBLEMS: tuple[Any, ...] = (
    kinds.TAKE_NOT_FOUND,
    kinds.NOT_ACCEPTABLE,
    kinds.NOT_MEASURED_YET,
    kinds.MEASURING_FAILED,
    kinds.NOT_PICTURED,
    kinds.PRECONDITION_FAILED,
    kinds.RECORDING_REJECTED,
    kinds.TOO_MANY_CHARTS,
)
