"""What the OpenAPI document says of answers and headers, for all routes alike."""

from __future__ import annotations

from collections.abc import Mapping
from http import HTTPStatus
from typing import Any

from pydantic import BaseModel, ConfigDict, Field

from coilbench_service import problem_kinds as kinds
from coilbench_service.problem_kinds import ProblemKind
from coilbench_service.problems import MEDIA_TYPE

# Any request can meet these.
COMMON = (
    kinds.FOREIGN_ORIGIN,
    kinds.HOST_NOT_ALLOWED,
    kinds.INVALID_REQUEST,
    kinds.TOO_MANY_REQUESTS,
    kinds.INTERNAL_ERROR,
    kinds.STORE_UNAVAILABLE,
)


class FieldFault(BaseModel):
    """One value at fault."""

    field: str
    message: str


class ProblemDetails(BaseModel):
    """An error, after RFC 9457."""

    model_config = ConfigDict(extra="allow")

    type: str = Field(description="URI of the kind of problem, relative to the service; it can be opened")
    title: str
    status: int
    detail: str = Field(description="What happened in this very request")
    advice: str = Field(description="What to do, in one line")
    errors: list[FieldFault] | None = Field(None, description="The fields at fault, when input was")


class Asking(BaseModel):
    """Headers of a request that reads."""

    prefer: str | None = Field(
        None, alias="Prefer", description="`wait=20` holds the answer up to so many seconds, until the take is final"
    )


class Making(BaseModel):
    """Headers of a request that makes something."""

    idempotency_key: str | None = Field(
        None, alias="Idempotency-Key", description="Any text of your own; the same request under the same key acts once"
    )


class Acting(Asking, Making):
    """Headers of a request that has a take measured."""


def answers(good: Mapping[int, Any], *bad: ProblemKind) -> dict[str | int | HTTPStatus, Any]:
    """The answers of a route: good ones by status, and the kinds of problem it may give beside the common ones."""
    by_status: dict[str | int | HTTPStatus, list[ProblemKind]] = {}
    for kind in (*bad, *COMMON):
        by_status.setdefault(kind.status, []).append(kind)
    content = {MEDIA_TYPE: {"schema": {"$ref": f"#/components/schemas/{ProblemDetails.__name__}"}}}
    return dict(good) | {
        status: {"description": "; ".join(f"{kind.title} ({kind.type})" for kind in group), "content": content}
        for status, group in by_status.items()
    }


def body_of(media_type: str, description: str, schema: dict[str, Any] | None = None) -> dict[str, Any]:
    """An answer that is not JSON."""
    return {"description": description, "content": {media_type: {"schema": schema or {}}}}
