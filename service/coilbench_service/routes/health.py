"""Whether the service lives, whether it can work, and its numbers."""

from __future__ import annotations

from flask import Response
from flask_openapi3.blueprint import APIBlueprint
from flask_openapi3.models.tag import Tag
from pydantic import BaseModel

from coilbench_service import metrics
from coilbench_service import problem_kinds as kinds
from coilbench_service.answers import json_answer
from coilbench_service.bench import Bench
from coilbench_service.metrics import Metrics
from coilbench_service.openapi import answers, body_of
from coilbench_service.problems import FieldError, Problem
from coilbench_service.readiness import Readiness

TAG = Tag(name="health", description="For those who run the service")
RETRY_AFTER_S = 5


class Alive(BaseModel):
    """The process answers."""

    alive: bool


class Ready(BaseModel):
    """Every part is there."""

    ready: bool
    parts: dict[str, str]


def blueprint(bench: Bench, numbers: Metrics) -> APIBlueprint:
    """The routes of /healthz, /readyz, /metrics."""
    readiness = Readiness(bench)
    api = APIBlueprint("health", __name__, abp_tags=[TAG])

    @api.get("/healthz", responses=answers({200: Alive}))
    def healthz() -> Response:
        """Alive."""
        return json_answer({"alive": True})

    @api.get("/readyz", responses=answers({200: Ready}, kinds.NOT_READY))
    def readyz() -> Response:
        """Database, broker, storage and a worker can be reached."""
        parts = readiness.parts()
        findings = {part.name: part.finding for part in parts}
        faults = [FieldError(part.name, part.fault) for part in parts if part.fault is not None]
        if faults:
            detail = "; ".join(f"{fault.field}: {fault.message}" for fault in faults)
            headers = {"Retry-After": str(RETRY_AFTER_S)}
            raise Problem(kinds.NOT_READY, detail, errors=faults, headers=headers, extensions={"parts": findings})
        return json_answer({"ready": True, "parts": findings})

    @api.get("/metrics", responses=answers({200: body_of("text/plain", "Prometheus text", {"type": "string"})}))
    def read_metrics() -> Response:
        """Numbers for Prometheus."""
        return Response(numbers.text(), content_type=metrics.MEDIA_TYPE)

    return api
