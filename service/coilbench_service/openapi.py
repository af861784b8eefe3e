"""What the OpenAPI document says of answers and headers, for all routes alike."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from http import HTTPStatus
from typing import Any

from flask_openapi3.models.security_scheme import SecurityScheme
from flask_openapi3.openapi import OpenAPI
from pydantic import BaseModel, ConfigDict, Field

from coilbench_service import problem_kinds as kinds
from coilbench_service.problem_kinds import ProblemKind
from coilbench_service.problems import MEDIA_TYPE

# Any request can meet these.
COMMON = (
    kinds.KEY_MISSING,
    kinds.KEY_UNKNOWN,
    kinds.SCOPE_MISSING,
    kinds.BEHIND_A_PROXY,
    kinds.FOREIGN_ORIGIN,
    kinds.HOST_NOT_ALLOWED,
    kinds.INVALID_REQUEST,
    kinds.TOO_MANY_REQUESTS,
    kinds.INTERNAL_ERROR,
    kinds.STORE_UNAVAILABLE,
    kinds.TOO_MANY_QUESTIONS,
)

BEARER = "bearer"
SECURITY: dict[str, SecurityScheme | dict[str, Any]] = {
    BEARER: {
        "type": "http",
        "scheme": "bearer",
        "description": "An access key (`coilbench-server key make`, or POST /v1/keys), sent as `Authorization: Bearer "
        "KEY`. Its scopes are read, write (reads too) and admin (writes too, and looks after keys and call-backs).",
    }
}


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


def say_who_may(app: OpenAPI, scope_of: Callable[[str, str], str | None], *, needed: bool) -> None:
    """Write into the app's document, once it is made, which operation needs a key and of which scope.

    Parameters
    ----------
    scope_of : of an endpoint and a method, None where no key is needed
    needed : False where the service asks for no keys: there they may be left out
    """
    for rule in app.url_map.iter_rules():
        path = re.sub(r"<(?:[^<:]+:)?([^>]+)>", r"{\1}", rule.rule)
        for method, operation in app.api_doc["paths"].get(path, {}).items():
            if method.upper() not in (rule.methods or ()):
                continue  # another rule of the same path
            scope = scope_of(rule.endpoint, method.upper())
            required: list[dict[str, list[str]]] = [] if scope is None else [{BEARER: [scope]}]
            operation["security"] = required if needed or not required else [*required, {}]


def body_of(media_type: str, description: str, schema: dict[str, Any] | None = None) -> dict[str, Any]:
    """An answer that is not JSON."""
    return {"description": description, "content": {media_type: {"schema": schema or {}}}}
