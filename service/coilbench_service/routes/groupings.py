"""Groups of pickups by a field of their sheets, and fields held against measurements."""

from __future__ import annotations

from typing import Annotated

from flask import Response
from flask_openapi3.blueprint import APIBlueprint
from flask_openapi3.models.tag import Tag
from pydantic import AfterValidator, BaseModel, ConfigDict, Field

from coilbench_service import problem_kinds as kinds
from coilbench_service.answers import json_answer
from coilbench_service.bench import Bench
from coilbench_service.grouping import FIELDS, FITTED, GROUPED, fitted, grouped
from coilbench_service.openapi import answers
from coilbench_service.question import (
    PROBLEMS,
    ComparedQuantity,
    Confidence,
    QuantityKeys,
    SubjectKey,
    SubjectKeys,
    TakeLeftOut,
    each_once,
)

TAG = Tag(name="groups", description="Passive against active, magnet against magnet; specification and measurement")
FieldName = Annotated[str, Field(min_length=1, max_length=100)]
FieldValue = bool | int | float | str


class CollectionAsked(BaseModel):
    """Of which pickups."""

    model_config = ConfigDict(extra="forbid", strict=True)

    among: SubjectKeys | None = Field(None, description="Left out: all measured")
    session: SubjectKey | None = Field(None, description="Only takes of this session")
    confidence: Confidence = 0.95


class GroupsAsked(CollectionAsked):
    """The field that makes the groups."""

    field: FieldName = Field(description="Of the sheets, such as active, magnet or construction")
    quantities: QuantityKeys = Field(list(GROUPED), description="Keys, or columns of parts")


class SpecificationsAsked(CollectionAsked):
    """The fields to be held against measurements."""

    fields: Annotated[list[FieldName], Field(min_length=1, max_length=20), AfterValidator(each_once)] = Field(
        list(FIELDS), description="Numbers of the sheets"
    )
    quantities: QuantityKeys = Field(list(FITTED), description="Keys, or columns of parts")


class MeanView(BaseModel):
    """A quantity over the pickups of a group, with the interval of the mean."""

    mean: float | None
    n: int
    sd: float | None
    low: float | None
    high: float | None


class GroupView(BaseModel):
    """The pickups that share a value of the field."""

    value: FieldValue
    members: list[str]
    means: dict[str, MeanView] = Field(description="By quantity")


class GroupPairView(BaseModel):
    """One quantity of two groups; other minus baseline, in `unit`."""

    baseline: FieldValue
    other: FieldValue
    quantity: str
    unit: str
    difference: float | None = Field(description="Stands without an interval where a group has one pickup")
    low: float | None
    high: float | None
    standard_error: float | None
    degrees_of_freedom: float | None
    g: float | None = Field(description="Hedges' g")
    p: float | None
    p_holm: float | None = Field(description="Adjusted over all pairs and quantities")
    verdict: str | None = Field(description="higher, lower or no-difference-shown")
    withheld: str | None = Field(description="Why there is no interval")
    sentence: str


class ConfoundedView(BaseModel):
    """Another field that goes with the one grouped by."""

    field: str
    kind: str = Field(description="same-split, no-overlap or one-alike")
    values: list[FieldValue]
    sentence: str


class GroupsView(BaseModel):
    """Groups, all their pairs, and what to bear in mind."""

    field: str
    confidence: float
    quantities: list[ComparedQuantity]
    groups: list[GroupView]
    results: list[GroupPairView]
    confounded: list[ConfoundedView]
    left_out: list[TakeLeftOut]
    cautions: list[str]


class PointView(BaseModel):
    """A pickup: what its sheet says, and what was measured."""

    pickup: str
    x: float
    y: float
    low: float | None = Field(description="Of the interval of the pickup's mean; null where a single value is all")
    high: float | None


class FitView(BaseModel):
    """One field against one quantity."""

    field: str
    quantity: str
    n: int = Field(description="Pickups that have both")
    scale: str = Field(description="doublings: against log2 of the field; plain: against the field")
    unit: str = Field(description="Of the slope")
    points: list[PointView]
    verdict: str = Field(description="predicts, not-shown or too-few; in this collection")
    slope: float | None
    low: float | None
    high: float | None
    standard_error: float | None
    degrees_of_freedom: int | None
    r: float | None
    p: float | None
    p_holm: float | None = Field(description="Adjusted over all fields and quantities")
    prediction_width: float | None = Field(description="Of the interval for a further pickup, in the quantity's unit")
    slope_without: list[float] | None = Field(description="Least and greatest slope with any one pickup left out")
    carried_by: list[str] = Field(description="Pickups without any one of which the verdict would be another")
    withheld: str | None
    sentence: str


class SpecificationsView(BaseModel):
    """Each field against each quantity."""

    confidence: float
    quantities: list[ComparedQuantity]
    results: list[FitView]
    left_out: list[TakeLeftOut]
    cautions: list[str]


def blueprint(bench: Bench) -> APIBlueprint:
    """The routes of groups and specifications."""
    api = APIBlueprint("groupings", __name__, url_prefix="/v1/comparisons", abp_tags=[TAG])

    @api.post("/groups", responses=answers({200: GroupsView}, kinds.FIELD_UNKNOWN, *PROBLEMS))
    def compare_groups(body: GroupsAsked) -> Response:
        """Compare groups of pickups by a field of their sheets; each pickup counts once, nothing is kept."""
        return json_answer(grouped(bench, **body.model_dump()))

    @api.post("/specifications", responses=answers({200: SpecificationsView}, kinds.FIELD_UNKNOWN, *PROBLEMS))
    def hold_specifications(body: SpecificationsAsked) -> Response:
        """Hold numeric fields of the sheets against what was measured; nothing is kept."""
        return json_answer(fitted(bench, **body.model_dump()))

    return api
