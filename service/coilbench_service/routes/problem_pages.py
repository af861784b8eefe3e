"""The pages behind the problem types: the URI in an error's `type` can be opened."""

from __future__ import annotations

from flask import Response
from flask_openapi3.blueprint import APIBlueprint
from flask_openapi3.models.tag import Tag
from pydantic import BaseModel, Field

from coilbench_service import problem_kinds as kinds
from coilbench_service.answers import json_answer
from coilbench_service.openapi import answers
from coilbench_service.problem_kinds import ProblemKind
from coilbench_service.problems import Problem
from coilbench_worker.measure.checks import CHECKS

TAG = Tag(name="problems", description="Every way in which the service says no, and what to do")


class ProblemKindView(BaseModel):
    """One kind of problem."""

    type: str
    status: int
    title: str
    advice: str


class ProblemKindList(BaseModel):
    """All kinds of problems."""

    items: list[ProblemKindView]
    next: None = None


class ProblemPath(BaseModel):
    """The kind meant."""

    slug: str = Field(description="Last part of a problem's type")


def every_kind() -> list[ProblemKind]:
    """The kinds of the service, and the checks that can end a measurement."""
    ending = [
        ProblemKind(check.code, kinds.RECORDING_REJECTED.status, check.title, check.advice)
        for check in CHECKS
        if check.code in kinds.ENDING_CHECKS
    ]
    return [*kinds.KINDS, *ending]


def blueprint() -> APIBlueprint:
    """The routes of /problems."""
    api = APIBlueprint("problems", __name__, url_prefix="/problems", abp_tags=[TAG])

    @api.get("", responses=answers({200: ProblemKindList}, kinds.PRECONDITION_FAILED))
    def list_problems() -> Response:
        """Every kind of problem."""
        return json_answer({"items": [_view(kind) for kind in every_kind()], "next": None}, tagged=True)

    @api.get("/<slug>", responses=answers({200: ProblemKindView}, kinds.NOT_FOUND, kinds.PRECONDITION_FAILED))
    def read_problem(path: ProblemPath) -> Response:
        """One kind of problem: what it means and what to do."""
        for kind in every_kind():
            if kind.slug == path.slug:
                return json_answer(_view(kind), tagged=True)
        raise Problem(kinds.NOT_FOUND, f"No kind of problem is called {path.slug!r:.100}; GET /problems lists them.")

    return api


def _view(kind: ProblemKind) -> dict[str, str | int]:
    return {"type": kind.type, "status": kind.status, "title": kind.title, "advice": kind.advice}
