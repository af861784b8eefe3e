"""Takes: sent, listed, read, described anew, deleted."""

from __future__ import annotations

import re

from flask import Response, request
from flask_openapi3.blueprint import APIBlueprint
from flask_openapi3.models.tag import Tag
from pydantic import BaseModel, ConfigDict, Field, JsonValue, field_validator

from coilbench_service import acceptance, changes
from coilbench_service import problem_kinds as kinds
from coilbench_service.answers import json_answer, page_answer, tag_of
from coilbench_service.bench import Bench
from coilbench_service.conditional import require_state
from coilbench_service.final_take import answer_when_final, existing_view, take_not_found
from coilbench_service.inheritance import Inheritance
from coilbench_service.openapi import Acting, Asking, answers
from coilbench_service.selection import ID_PATTERN, TakeQuery
from coilbench_service.take_view import Take, TakePage, take_view
from coilbench_worker import jobs
from coilbench_worker.store import takes
from coilbench_worker.store.takes import TakeRecord

TAG = Tag(name="takes", description="One recording each, and what is known about it")
UPLOAD = {
    "requestBody": {
        "required": True,
        "content": {
            "multipart/form-data": {
                "schema": {
                    "type": "object",
                    "required": ["file"],
                    "additionalProperties": False,
                    "properties": {
                        "file": {"description": "The recording: WAV, RF64, FLAC or AIFF, linear PCM or float"},
                        "about": {"$ref": "#/components/schemas/About"},
                    },
                },
                "encoding": {"about": {"contentType": "application/json"}},
            }
        },
    }
}


class TakePath(BaseModel):
    """The take meant."""

    take_id: str = Field(description="Id of a take")

    @field_validator("take_id")
    @classmethod
    def _could_be_one(cls, take_id: str) -> str:
        """Keep from the database what it could not even look for; any Problem passes through pydantic."""
        if not re.fullmatch(ID_PATTERN, take_id):
            raise take_not_found(take_id)
        return take_id


class TakePatch(BaseModel):
    """A change of the description."""

    model_config = ConfigDict(extra="forbid")

    about: dict[str, JsonValue] = Field(description="JSON merge patch (RFC 7396): null removes a field")


def blueprint(bench: Bench) -> APIBlueprint:
    """The routes of /v1/takes."""
    api = APIBlueprint("takes", __name__, url_prefix="/v1/takes", abp_tags=[TAG])

    def require(take: TakeRecord) -> None:
        # A tag is only compared, and named, when one was sent.
        tag = tag_of(existing_view(bench, take.id)) if "If-Match" in request.headers else ""
        require_state(request, tag=tag, changed=take.updated)

    @api.post(
        "",
        responses=answers({201: Take, 202: Take}, *acceptance.PROBLEMS),
        description="Answers 202 with the take once it is safe, or 201 when `Prefer: wait` saw it measured.",
        openapi_extensions=UPLOAD,
    )
    def send_take(header: Acting) -> Response:
        """Send a recording."""
        status, take = acceptance.accept(bench, request, header.idempotency_key)
        return answer_when_final(bench, take, header.prefer, created=status)

    @api.get("", responses=answers({200: TakePage}))
    def list_takes(query: TakeQuery) -> Response:
        """List takes in the order of arrival."""
        with bench.database.read() as connection:
            page = takes.page(connection, query.filter(), query.limit, query.cursor)
            inheritance = Inheritance(connection, [take.about for take in page.items])
            items = [take_view(take, inheritance.of(take.about)) for take in page.items]
        return page_answer({"items": items, "next": page.next})

    @api.get("/<take_id>", responses=answers({200: Take}, kinds.TAKE_NOT_FOUND, kinds.PRECONDITION_FAILED))
    def read_take(path: TakePath, header: Asking) -> Response:
        """One take, where it stands and why."""
        return answer_when_final(bench, existing_view(bench, path.take_id), header.prefer)

    @api.patch(
        "/<take_id>",
        responses=answers(
            {200: Take},
            kinds.TAKE_NOT_FOUND,
            kinds.PRECONDITION_FAILED,
            kinds.NOT_JSON,
            kinds.BROKEN_JSON,
            kinds.INVALID_ABOUT,
        ),
    )
    def describe_take(path: TakePath, body: TakePatch) -> Response:
        """Change the description; only another `expected_strums` or `channel`, its own or inherited, measures again."""
        return json_answer(changes.describe(bench, path.take_id, body.about, require))

    @api.delete("/<take_id>", responses=answers({204: None}, kinds.TAKE_NOT_FOUND, kinds.PRECONDITION_FAILED))
    def delete_take(path: TakePath) -> Response:
        """Delete a take, its measurements, and the recording when no other take and no calibration has it."""
        deleted = jobs.remove(bench.database, bench.blobs, path.take_id, require)
        if deleted is None:
            raise take_not_found(path.take_id)
        bench.excerpts.forget(deleted.sha256)
        return Response(status=204)

    return api
