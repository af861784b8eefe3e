"""The catalogues: what is measured, and what a recording is judged by."""

from __future__ import annotations

from flask import Response
from flask_openapi3.blueprint import APIBlueprint
from flask_openapi3.models.tag import Tag
from pydantic import BaseModel, Field

from coilbench_service import problem_kinds as kinds
from coilbench_service.answers import json_answer
from coilbench_service.openapi import answers
from coilbench_worker.measure.catalogue import QUANTITIES
from coilbench_worker.measure.checks import CHECKS

TAG = Tag(name="catalogues", description="What is measured and judged, and how")


class QuantityView(BaseModel):
    """One quantity."""

    key: str
    name: str
    unit: str | None
    of: str = Field(description="strum, take or noise")
    parts: list[str] = Field(description="Of a vector, such as bands; empty for a single number")
    group: str
    definition: str
    source: str
    more: str | None = Field(description="The word for a greater value")
    less: str | None = Field(description="The word for a smaller value")
    decimals: int


class QuantityList(BaseModel):
    """All quantities."""

    items: list[QuantityView]
    next: None = None


class CheckKindView(BaseModel):
    """One kind of check."""

    code: str
    severities: list[str]
    title: str
    meaning: str
    advice: str


class CheckKindList(BaseModel):
    """All kinds of checks."""

    items: list[CheckKindView]
    next: None = None


def blueprint() -> APIBlueprint:
    """The routes of /v1/quantities and /v1/checks."""
    api = APIBlueprint("catalogue", __name__, url_prefix="/v1", abp_tags=[TAG])

    @api.get("/quantities", responses=answers({200: QuantityList}, kinds.PRECONDITION_FAILED))
    def list_quantities() -> Response:
        """Everything that is measured: key, unit, definition, source."""
        items = [QuantityView.model_validate(quantity, from_attributes=True) for quantity in QUANTITIES]
        return json_answer(QuantityList(items=items).model_dump(), tagged=True)

    @api.get("/checks", responses=answers({200: CheckKindList}, kinds.PRECONDITION_FAILED))
    def list_checks() -> Response:
        """Everything a recording is judged by, with the advice that goes with it."""
        items = [CheckKindView.model_validate(kind, from_attributes=True) for kind in CHECKS]
        return json_answer(CheckKindList(items=items).model_dump(), tagged=True)

    return api
