"""Studies: how far the tester's own hand scatters."""

from __future__ import annotations

from typing import Annotated

from flask import Response
from flask_openapi3.blueprint import APIBlueprint
from flask_openapi3.models.tag import Tag
from pydantic import BaseModel, ConfigDict, Field, model_validator

from coilbench_service.answers import json_answer
from coilbench_service.bench import Bench
from coilbench_service.comparing import HEADLINE
from coilbench_service.openapi import answers
from coilbench_service.question import (
    PROBLEMS,
    ComparedQuantity,
    ComparedSubject,
    Confidence,
    QuantityKey,
    QuantityKeys,
    SubjectKey,
    SubjectKeys,
    TakeLeftOut,
)
from coilbench_service.studying import study

TAG = Tag(name="studies", description="How far strums and takes scatter, and what plan that asks for")


class StudyAsked(BaseModel):
    """What is to be studied."""

    model_config = ConfigDict(extra="forbid", strict=True)

    subjects: SubjectKeys | None = Field(None, description="Pickups or takes; left out: all measured")
    session: SubjectKey | None = Field(None, description="Only takes of this session")
    quantities: QuantityKeys | None = Field(None, description=f"Left out: {', '.join(HEADLINE)}")
    difference: dict[QuantityKey, Annotated[float, Field(gt=0, le=1e6)]] = Field(
        {}, description="By quantity: what two pickups should be told apart by; left out: a step that an ear can tell"
    )
    confidence: Confidence = 0.95

    @model_validator(mode="after")
    def _differences_asked_for(self) -> StudyAsked:
        other = [key for key in self.difference if key not in (self.quantities or HEADLINE)]
        if other:
            raise ValueError(f"difference names {other[0]}, which is not among the quantities studied")
        return self


class DeviationView(BaseModel):
    """A standard deviation with its interval."""

    sd: float
    low: float
    high: float
    degrees_of_freedom: float


class PlanView(BaseModel):
    """Takes of so many strums, of each of two pickups, that would show a difference four times in five."""

    difference: float
    strums: int
    takes: int | None = Field(description="null: more than anybody records")


class StudiedView(BaseModel):
    """One quantity, in the terms of ISO 5725."""

    quantity: str
    unit: str
    repeatability: DeviationView | None = Field(description="Between strums of a take")
    between_takes: DeviationView | None = Field(description="Between takes, what strums add taken off")
    reproducibility: DeviationView | None = Field(description="Of a strum of another take")
    repeatability_limit: float | None = Field(description="Two strums of a take differ by less, 95 in 100")
    reproducibility_limit: float | None
    withheld: str | None
    plan: list[PlanView]
    sentence: str


class StudyView(BaseModel):
    """A study."""

    quantities: list[ComparedQuantity]
    subjects: list[ComparedSubject]
    results: list[StudiedView]
    left_out: list[TakeLeftOut]
    cautions: list[str]
    method: str


def blueprint(bench: Bench) -> APIBlueprint:
    """The route of /v1/comparisons/study."""
    api = APIBlueprint("studies", __name__, url_prefix="/v1/comparisons/study", abp_tags=[TAG])

    @api.post(
        "",
        responses=answers({200: StudyView}, *PROBLEMS),
    )
    def study_hand(body: StudyAsked) -> Response:
        """How far strums and takes scatter, and how many of each to record; nothing is kept."""
        return json_answer(study(bench, **body.model_dump()))

    return api
