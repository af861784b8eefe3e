"""Comparisons: a baseline against other pickups or takes."""

from __future__ import annotations

from typing import Any

from flask import Response
from flask_openapi3.blueprint import APIBlueprint
from flask_openapi3.models.tag import Tag
from pydantic import BaseModel, ConfigDict, Field, JsonValue, model_validator

from coilbench_service.answers import json_answer
from coilbench_service.bench import Bench
from coilbench_service.comparing import HEADLINE, compare
from coilbench_service.openapi import answers
from coilbench_service.question import (
    PROBLEMS,
    ComparedQuantity,
    ComparedSubject,
    Confidence,
    QuantityKeys,
    SubjectKey,
    SubjectKeys,
    TakeLeftOut,
    each_once,
)

TAG = Tag(name="comparisons", description="Which pickup has more, by how much, and whether that is real")


class ComparisonAsked(BaseModel):
    """What is to be compared."""

    model_config = ConfigDict(extra="forbid", strict=True)

    baseline: SubjectKey = Field(description="Key of a pickup, or id of a take")
    others: SubjectKeys | None = Field(None, description="The same; left out: every other pickup measured")
    quantities: QuantityKeys | None = Field(
        None, description=f"Keys, or columns of parts; left out: {', '.join(HEADLINE)}"
    )
    confidence: Confidence = 0.95
    session: SubjectKey | None = Field(None, description="Only takes of this session")

    @model_validator(mode="after")
    def _each_once(self) -> ComparisonAsked:
        each_once([self.baseline, *(self.others or [])])
        return self


class ComparisonRow(BaseModel):
    """One quantity of one pair; differences are other minus baseline, in `unit`."""

    other: str
    quantity: str
    unit: str
    takes: list[int] = Field(description="Of baseline and other")
    strums: list[int] = Field(description="Of baseline and other, those that have the quantity")
    baseline_mean: float | None = Field(
        description="Levels as they would read at the gain of the baseline's first take"
    )
    other_mean: float | None
    difference: float | None
    low: float | None
    high: float | None = Field(description="Of the interval of this difference by itself")
    standard_error: float | None
    degrees_of_freedom: float | None = Field(description="null beside a standard error: infinitely many")
    method: str | None = Field(description="welch: one take of each; nested: the take is a random effect")
    g: float | None = Field(description="Hedges' g")
    p: float | None
    p_holm: float | None = Field(description="Adjusted over all rows of this answer")
    verdict: str | None = Field(description="higher, lower or no-difference-shown")
    smallest_shown: float | None = Field(description="True difference that would have been shown four times in five")
    strums_to_settle: int | None = Field(description="Of each side, to show the difference seen four times in five")
    takes_to_settle: int | None
    not_to_settle: str | None
    assumes: str | None = Field(description="What is taken on trust")
    withheld: str | None = Field(description="Why nothing is said")
    sentence: str


class BandDifference(BaseModel):
    """A band at equal loudness; the interval is that of this band alone."""

    other: str
    quantity: str
    part: str
    difference: float | None
    low: float | None
    high: float | None
    withheld: str | None


class ConditionDiffers(BaseModel):
    """A condition of recording that is not the same."""

    other: str
    field: str
    baseline: JsonValue
    value: JsonValue


class ComparisonView(BaseModel):
    """A comparison."""

    baseline: str
    confidence: float
    quantities: list[ComparedQuantity]
    subjects: list[ComparedSubject]
    results: list[ComparisonRow]
    ranking: dict[str, list[list[str]]] = Field(
        description="First = most; those that can't be told apart share a place"
    )
    alike: dict[str, list[list[str]]] = Field(description="Pairs on different places that can't be told apart")
    bands: list[BandDifference]
    conditions: list[ConditionDiffers]
    left_out: list[TakeLeftOut]
    cautions: list[str]
    method: str


def blueprint(bench: Bench) -> APIBlueprint:
    """The routes of /v1/comparisons."""
    api = APIBlueprint("comparisons", __name__, url_prefix="/v1/comparisons", abp_tags=[TAG])

    @api.post(
        "",
        responses=answers({200: ComparisonView}, *PROBLEMS),
    )
    def compare_with_baseline(body: ComparisonAsked) -> Response:
        """Compare pickups or takes with a baseline; nothing is kept."""
        found: dict[str, Any] = compare(
            bench,
            baseline=body.baseline,
            others=body.others,
            quantities=body.quantities,
            confidence=body.confidence,
            session=body.session,
        )
        return json_answer(found)

    return api
