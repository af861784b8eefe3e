"""Groups of pickups by a field of their sheets, and fields held against measurements."""

from __future__ import annotations

from difflib import get_close_matches
from typing import Any

from flask import Response
from flask_openapi3.blueprint import APIBlueprint
from flask_openapi3.models.tag import Tag
from pydantic import BaseModel, ConfigDict, Field, JsonValue, field_validator

from coilbench_service import problem_kinds as kinds
from coilbench_service.answers import json_answer
from coilbench_service.bench import Bench
from coilbench_service.comparing import known
from coilbench_service.grouping import fitted, grouped
from coilbench_service.openapi import answers
from coilbench_service.routes.comparisons import MOST_SUBJECTS, ComparedQuantity, SubjectKey, TakeLeftOut
from coilbench_worker.compare.columns import columns

TAG = Tag(name="groups", description="Passive against active, magnet against magnet; specification and measurement")
PROBLEMS = (
    kinds.FIELD_UNKNOWN,
    kinds.SUBJECT_UNKNOWN,
    kinds.NOTHING_TO_COMPARE,
    kinds.TOO_MANY_TAKES,
    kinds.NOT_JSON,
    kinds.BROKEN_JSON,
)


class CollectionAsked(BaseModel):
    """Of which pickups."""

    model_config = ConfigDict(extra="forbid", strict=True)

    among: list[SubjectKey] | None = Field(
        None, min_length=1, max_length=MOST_SUBJECTS, description="Left out: all measured"
    )
    session: SubjectKey | None = Field(None, description="Only takes of this session")
    confidence: float = Field(0.95, ge=0.5, le=0.999)
    quantities: list[str] | None = Field(None, min_length=1, description="Keys, or columns of parts")

    @field_validator("quantities")
    @classmethod
    def _known_quantities(cls, keys: list[str] | None) -> list[str] | None:
        for key in known(keys or []):
            near = get_close_matches(key, columns(), n=3)
            raise ValueError(f"{key!r:.80} is no quantity" + (f"; near: {', '.join(near)}" if near else ""))
        return None if keys is None else list(dict.fromkeys(keys))


class GroupsAsked(CollectionAsked):
    """The field that makes the groups. Quantities left out: level, crest factor, attack over body, evenness."""

    field: SubjectKey = Field(description="Of the sheets, such as active, magnet or construction")


class SpecificationsAsked(CollectionAsked):
    """The fields to be held against measurements. Quantities left out: level and treble."""

    fields: list[SubjectKey] = Field(["dcr_ohm", "inductance_h", "rated_output_mv"], min_length=1, max_length=20)


class GroupsView(BaseModel):
    """Groups, all their pairs, and what to bear in mind."""

    field: str
    confidence: float
    quantities: list[ComparedQuantity]
    groups: list[dict[str, JsonValue]] = Field(description="value, members, means by quantity")
    results: list[dict[str, JsonValue]] = Field(description="Each pair and quantity; other minus baseline, in unit")
    confounded: list[dict[str, JsonValue]] = Field(description="Fields that part the pickups in the same way")
    left_out: list[TakeLeftOut]
    cautions: list[str]


class SpecificationsView(BaseModel):
    """Each field against each quantity."""

    confidence: float
    quantities: list[ComparedQuantity]
    results: list[dict[str, JsonValue]] = Field(description="n, slope with interval and unit, r, p, verdict, points")
    left_out: list[TakeLeftOut]
    cautions: list[str]


def blueprint(bench: Bench) -> APIBlueprint:
    """The routes of groups and specifications."""
    api = APIBlueprint("groupings", __name__, url_prefix="/v1/comparisons", abp_tags=[TAG])

    @api.post("/groups", responses=answers({200: GroupsView}, *PROBLEMS))
    def compare_groups(body: GroupsAsked) -> Response:
        """Compare groups of pickups by a field of their sheets; each pickup counts once, nothing is kept."""
        asked: dict[str, Any] = body.model_dump()
        asked["quantities"] = asked["quantities"] or ["rms_dbfs", "crest_db", "attack_body_db", "evenness_db"]
        return json_answer(grouped(bench, **asked))

    @api.post("/specifications", responses=answers({200: SpecificationsView}, *PROBLEMS))
    def hold_specifications(body: SpecificationsAsked) -> Response:
        """Hold numeric fields of the sheets against what was measured; nothing is kept."""
        asked: dict[str, Any] = body.model_dump()
        asked["quantities"] = asked["quantities"] or ["rms_dbfs", "treble_db"]
        return json_answer(fitted(bench, **asked))

    return api
