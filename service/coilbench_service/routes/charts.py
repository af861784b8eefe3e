"""Pictures about several pickups, and the list of all pictures. By GET, so that they can stand in a page as images."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from flask import Response
from flask_openapi3.blueprint import APIBlueprint
from pydantic import BaseModel, Field

from coilbench_service import problem_kinds as kinds
from coilbench_service.answers import json_answer
from coilbench_service.banding import banded
from coilbench_service.bench import Bench
from coilbench_service.beside import modelled
from coilbench_service.chart_answer import CHART_BODIES, ChartForm, chart_answer
from coilbench_service.chart_questions import BandsAsked, IntervalsAsked, ResponseAsked, SpecificationAsked
from coilbench_service.charts import bands, beside, intervals, response, specification
from coilbench_service.comparing import compare
from coilbench_service.grouping import fitted
from coilbench_service.openapi import answers
from coilbench_service.problems import FieldError, Problem
from coilbench_service.routes import take_charts
from coilbench_service.routes.takes_beside import TakesBeside
from coilbench_service.subject_names import subject_names

TAG = take_charts.TAG
COIL = "the coil"
QUESTION = (kinds.SUBJECT_UNKNOWN, kinds.NOTHING_TO_COMPARE, kinds.TOO_MANY_TAKES)
FORM = (kinds.NOT_ACCEPTABLE, kinds.PRECONDITION_FAILED)


class AskedFor(BaseModel):
    """One thing that a chart is asked with."""

    name: str = Field(description="In the query, unless the address has it in braces")
    says: str
    required: bool
    repeated: bool = Field(description="Whether it may be given several times")


class ChartKind(BaseModel):
    """One kind of chart."""

    name: str
    shows: str
    address: str = Field(description="With {take_id} in it for charts of one take")
    subjects: list[str] = Field(description="Names that pickups or takes go under, in order; the last takes the rest")
    asks: list[AskedFor]


class ChartKinds(BaseModel):
    """All kinds."""

    items: list[ChartKind]
    next: None = None


def blueprint(bench: Bench) -> APIBlueprint:
    """The routes of /v1/charts."""
    api = APIBlueprint("charts", __name__, url_prefix="/v1/charts", abp_tags=[TAG])

    @api.get("", responses=answers({200: ChartKinds}, kinds.PRECONDITION_FAILED))
    def list_charts() -> Response:
        """All kinds of charts: what each shows, and what it is asked with."""
        return json_answer(ChartKinds(items=list(chart_kinds())).model_dump(), tagged=True)

    @api.get("/bands", responses=answers({200: CHART_BODIES}, *QUESTION, *FORM))
    def draw_bands(query: BandsAsked) -> Response:
        """Third-octave bands of pickups or takes at equal loudness, each mean with its interval."""
        found = banded(
            bench,
            subjects=query.pickup or None,
            session=query.session,
            confidence=query.confidence,
            field="pickup",
        )
        _few_enough(len(found["subjects"]), bands.MOST, "pickup")
        return chart_answer(bands.bands_chart(found, subject_names(bench, found["subjects"])), query)

    @api.get("/intervals", responses=answers({200: CHART_BODIES}, *QUESTION, *FORM))
    def draw_intervals(query: IntervalsAsked) -> Response:
        """The differences of a comparison with their intervals and verdicts."""
        found = compare(
            bench,
            baseline=query.baseline,
            others=query.other or None,
            quantities=query.quantity or None,
            confidence=query.confidence,
            session=query.session,
        )
        return chart_answer(intervals.intervals_chart(found, subject_names(bench, found["subjects"])), query)

    @api.get("/specification", responses=answers({200: CHART_BODIES}, kinds.FIELD_UNKNOWN, *QUESTION, *FORM))
    def draw_specification(query: SpecificationAsked) -> Response:
        """Numbers of the data sheets against what was measured, with the line where one predicts the other."""
        found = fitted(
            bench,
            fields=query.field,
            quantities=query.quantity,
            among=query.among or None,
            session=query.session,
            confidence=query.confidence,
        )
        return chart_answer(specification.specification_chart(found), query)

    @api.get("/response", responses=answers({200: CHART_BODIES}, kinds.TOO_MANY_TAKES, *FORM))
    def draw_response(query: ResponseAsked) -> Response:
        """The response of a coil with its load by the model; of a pickup, the measured octaves beside it."""
        asked = query.request().model_dump()
        found = modelled(bench, asked)
        models = {query.pickup or COIL: found}
        if query.beside is not None:
            models[query.beside] = modelled(bench, {**asked, "coil": None, "pickup": query.beside, "beside": None})
        return chart_answer(response.response_chart(models, found.get("beside")), query)

    return api


def _few_enough(number: int, most: int, field: str) -> None:
    if number > most:
        detail = f"{number} side by side can't be told apart on one chart; name {most} at most."
        raise Problem(kinds.INVALID_REQUEST, detail, errors=[FieldError(field, f"at most {most}")])


OF_SEVERAL: Sequence[tuple[str, str, type[ChartForm], list[str]]] = (
    (beside.NAME, "Recordings one above the other on one scale, with their figures", TakesBeside, ["take"]),
    (bands.NAME, "Third-octave bands at equal loudness, with intervals", BandsAsked, ["pickup"]),
    (intervals.NAME, "Differences from a baseline, with intervals", IntervalsAsked, ["baseline", "other"]),
    (specification.NAME, "Numbers of the data sheets against what was measured", SpecificationAsked, ["among"]),
    (response.NAME, "Response by the model, with what was measured beside it", ResponseAsked, ["pickup", "beside"]),
)
"""Name, what it shows, how it is asked, and under which names its subjects go."""


def chart_kinds() -> Iterator[ChartKind]:
    """All kinds of charts: those of one take first."""
    for of_take, kind in take_charts.CHARTS.items():
        one = AskedFor(name="take_id", says="Id of the take", required=True, repeated=False)
        yield ChartKind(
            name=of_take,
            shows=kind.shows,
            address=f"/v1/takes/{{take_id}}/charts/{of_take}",
            subjects=["take_id"],
            asks=[one, *_asks(ChartForm)],
        )
    for name, shows, asked, subjects in OF_SEVERAL:
        yield ChartKind(
            name=name, shows=shows, address=f"/v1/charts/{name}", subjects=subjects, asks=list(_asks(asked))
        )


def _asks(asked: type[ChartForm]) -> Iterator[AskedFor]:
    schema: dict[str, Any] = asked.model_json_schema()
    for name, field in asked.model_fields.items():
        yield AskedFor(
            name=name,
            says=field.description or "",
            required=field.is_required(),
            repeated=schema["properties"][name].get("type") == "array",
        )
