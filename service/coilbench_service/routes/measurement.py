"""The measurement of a take: read, or asked for again with other settings."""

from __future__ import annotations

from flask import Response, request
from flask_openapi3.blueprint import APIBlueprint
from flask_openapi3.models.tag import Tag
from pydantic import BaseModel, ConfigDict, Field, JsonValue

from coilbench_service import changes
from coilbench_service import problem_kinds as kinds
from coilbench_service.answers import json_answer
from coilbench_service.bench import Bench
from coilbench_service.calibrations import Calibrations
from coilbench_service.final_take import answer_when_final, wait_until_final
from coilbench_service.inheritance import Inheritance
from coilbench_service.measurement_view import Measurement, measurement_view
from coilbench_service.openapi import Acting, Asking, answers
from coilbench_service.routes.takes import TakePath
from coilbench_service.take_view import Take
from coilbench_service.unmeasured import measured
from coilbench_worker.store import measurements

TAG = Tag(name="measurements", description="What was found in a take")


class MeasureAgain(BaseModel):
    """How to measure."""

    model_config = ConfigDict(extra="forbid")

    settings: dict[str, JsonValue] | None = Field(
        None,
        description="Windows in seconds from the onset ([start, stop]), `expected_strums`, `channel`. What is left out "
        "comes from the description, else the default. No settings at all: those the take has",
    )


def blueprint(bench: Bench) -> APIBlueprint:
    """The routes of /v1/takes/{take_id}/measurement."""
    api = APIBlueprint("measurement", __name__, url_prefix="/v1/takes/<take_id>/measurement", abp_tags=[TAG])

    @api.get(
        "",
        responses=answers(
            {200: Measurement},
            kinds.TAKE_NOT_FOUND,
            kinds.NOT_MEASURED_YET,
            kinds.MEASURING_FAILED,
            kinds.PRECONDITION_FAILED,
            kinds.RECORDING_REJECTED,
        ),
    )
    def read_measurement(path: TakePath, header: Asking) -> Response:
        """The measurement of a take."""
        take, headers = wait_until_final(bench, path.take_id, header.prefer)
        with bench.database.read() as connection:
            measurement = measured(take, measurements.current(connection, take.id))
            about = Inheritance(connection, [take.about]).about(take.about)
            state = Calibrations(connection).of(about)
        return json_answer(measurement_view(take, measurement, about, state), tagged=True, headers=headers)

    @api.post(
        "",
        description="Answers 202 with the take, 201 when `Prefer: wait` saw it measured, 200 when it had been before.",
        responses=answers(
            {200: Take, 201: Take, 202: Take},
            kinds.TAKE_NOT_FOUND,
            kinds.KEY_IN_FLIGHT,
            kinds.KEY_REUSED,
            kinds.NOT_JSON,
            kinds.BROKEN_JSON,
        ),
    )
    def measure_again(path: TakePath, header: Acting, body: MeasureAgain) -> Response:
        """Measure a take again, with other settings or after a failure."""
        status, take = changes.measure_again(bench, request, path.take_id, body.settings, header.idempotency_key)
        return answer_when_final(bench, take, header.prefer, created=status)

    return api
