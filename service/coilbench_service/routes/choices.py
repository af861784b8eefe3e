"""Choices: which tested pickups come closest to a wish."""

from __future__ import annotations

from typing import Annotated

from flask import Response
from flask_openapi3.blueprint import APIBlueprint
from flask_openapi3.models.tag import Tag
from pydantic import BaseModel, ConfigDict, Field, JsonValue, model_validator

from coilbench_service.answers import json_answer
from coilbench_service.bench import Bench
from coilbench_service.choosing import choice
from coilbench_service.electrical_advice import LoadStated
from coilbench_service.openapi import answers
from coilbench_service.question import PROBLEMS, SubjectKey, SubjectKeys, TakeLeftOut, each_once
from coilbench_service.wishes import PROBLEMS as WISH_PROBLEMS

TAG = Tag(name="choices", description="Which pickups suit a player, and by how much each misses")

Ohm = Annotated[float, Field(gt=0, le=1e12)]


class LoadOfChoice(BaseModel):
    """Pots, input and cable, all controls turned up; left out: what the sheet says, or common practice."""

    model_config = ConfigDict(extra="forbid", strict=True)

    volume_pot_ohm: Ohm | None = Field(None, description="Left out: of the sheet, or 250 kohm")
    tone_pot_ohm: Ohm | None = Field(None, description="Left out: of the sheet, or 250 kohm")
    input_ohm: Ohm | None = Field(None, description="Left out: 1 Mohm")
    cable_pf: float | None = Field(None, ge=0, le=1e6, description="Left out: 470 pF")

    def stated(self) -> LoadStated:
        """In farad and ohm."""
        cable_f = None if self.cable_pf is None else self.cable_pf * 1e-12
        return LoadStated(self.volume_pot_ohm, self.tone_pot_ohm, self.input_ohm, cable_f)


class ChoiceAsked(BaseModel):
    """A reference and a wish."""

    model_config = ConfigDict(extra="forbid", strict=True)

    reference: SubjectKey = Field(description="The pickup that the player knows: its key, or id of a take")
    wish: dict[str, JsonValue] = Field(
        description="By quantity: the wanted change as a number, more, less or same. By word (GET /v1/words): true, or "
        "a number in place of its amount"
    )
    among: SubjectKeys | None = Field(None, description="Pickups to choose from; left out: all measured")
    session: SubjectKey | None = Field(None, description="Only takes of this session")
    load: LoadOfChoice | None = Field(None, description="What the pickup works into, for the advice")

    @model_validator(mode="after")
    def _each_once(self) -> ChoiceAsked:
        each_once([self.reference, *(self.among or [])])
        return self


class WishRead(BaseModel):
    """One wish as it was read."""

    asked: str
    quantity: str
    unit: str
    direction: str
    amount: float | None
    ear_step: float = Field(description="Smallest change that an ear is likely to tell")
    basis: str = Field(description="On whose word that is")


class WishMiss(BaseModel):
    """One wish held against one candidate."""

    quantity: str
    change: float | None = Field(description="Candidate minus reference")
    low: float | None
    high: float | None
    miss: float | None
    miss_in_uncertainty: float | None = Field(description="In standard errors of the change")
    miss_in_ear_steps: float | None
    met: bool | None
    sure: bool | None = Field(description="Whether that holds for every change within the interval")
    withheld: str | None


class CandidateView(BaseModel):
    """One candidate; place 1 is closest."""

    place: int | None
    pickup: str
    fits: bool
    miss: float | None = Field(description="Root of the sum of squares of the misses in ear steps")
    uncertainty: float | None
    items: list[WishMiss]
    sentence: str


class ChoiceView(BaseModel):
    """The candidates, closest first."""

    reference: str
    wish: list[WishRead]
    sentence: str = Field(description="Whether any fulfils the wish")
    ranking: list[CandidateView]
    fits: list[str] = Field(description="Those that meet every wish")
    advice: list[str] = Field(description="Where none fits: which way to go electrically, by the model")
    left_out: list[TakeLeftOut]
    cautions: list[str]


def blueprint(bench: Bench) -> APIBlueprint:
    """The route of /v1/choices."""
    api = APIBlueprint("choices", __name__, url_prefix="/v1/choices", abp_tags=[TAG])

    @api.post(
        "",
        responses=answers({200: ChoiceView}, *WISH_PROBLEMS, *PROBLEMS),
    )
    def choose_by_wish(body: ChoiceAsked) -> Response:
        """Rank pickups by how far they are from a wish; nothing is kept."""
        load = body.load.stated() if body.load else LoadStated()
        found = choice(
            bench, reference=body.reference, wish=body.wish, among=body.among, session=body.session, load=load
        )
        return json_answer(found)

    return api
