"""Access keys: made, listed, read, changed, revoked. For those with the scope admin."""

from __future__ import annotations

import re

from flask import Response, request
from flask_openapi3.blueprint import APIBlueprint
from flask_openapi3.models.tag import Tag
from pydantic import BaseModel, ConfigDict, Field, field_validator

from coilbench_service import access_key, key_changes
from coilbench_service import problem_kinds as kinds
from coilbench_service.answers import json_answer, page_answer
from coilbench_service.bench import Bench
from coilbench_service.idempotency import HEADER
from coilbench_service.key_changes import KeyChange, NewKey, no_such_key
from coilbench_service.key_view import KeyPage, KeyView, NewKeyView, key_path, key_view
from coilbench_service.openapi import answers
from coilbench_service.problems import FieldError, Problem
from coilbench_service.selection import MAX_LIMIT
from coilbench_worker.store import keys

TAG = Tag(name="keys", description="Access keys, for those who look after the service")


class KeyPath(BaseModel):
    """The key meant."""

    key_id: str = Field(description="Id of a key: its middle part, 16 hexadecimal digits")

    @field_validator("key_id")
    @classmethod
    def _could_be_one(cls, key_id: str) -> str:
        """Keep from database and log what is no id, such as a whole key; any Problem passes through pydantic."""
        if not re.fullmatch(access_key.ID_PATTERN, key_id):
            raise no_such_key(key_id if access_key.parse(key_id) is None else "(a whole key)")
        return key_id


class KeyQuery(BaseModel):
    """A page of keys."""

    model_config = ConfigDict(extra="forbid")

    limit: int = Field(100, ge=1, le=MAX_LIMIT, description="Keys on a page")
    cursor: str | None = Field(None, description="`next` of the page before", pattern=access_key.ID_PATTERN)


def blueprint(bench: Bench) -> APIBlueprint:
    """The routes of /v1/keys."""
    api = APIBlueprint("keys", __name__, url_prefix="/v1/keys", abp_tags=[TAG])

    @api.post("", responses=answers({201: NewKeyView}, kinds.NOT_JSON, kinds.BROKEN_JSON))
    def make_key(body: NewKey) -> Response:
        """Make a key; the answer shows it whole, this once, and is not kept for a second sending."""
        if HEADER in request.headers:
            message = "is not taken here: the answer holds a secret and can't be kept for a second sending"
            raise Problem(kinds.INVALID_REQUEST, f"{HEADER} {message}.", errors=[FieldError(HEADER, message)])
        key, record = key_changes.make(
            bench.database,
            body.name,
            body.scopes,
            expires=body.end(),
            requests_per_minute=body.requests_per_minute,
            upload_bytes_per_day=body.upload_bytes_per_day,
        )
        return json_answer({**key_view(record), "key": key.text}, 201, headers={"Location": key_path(key.id)})

    @api.get("", responses=answers({200: KeyPage}))
    def list_keys(query: KeyQuery) -> Response:
        """List keys in the order in which they were made, with their last use; also those that ended."""
        with bench.database.read() as connection:
            page = keys.page(connection, query.limit, query.cursor)
        return page_answer({"items": [key_view(record) for record in page.items], "next": page.next})

    @api.get("/<key_id>", responses=answers({200: KeyView}, kinds.NO_SUCH_KEY))
    def read_key(path: KeyPath) -> Response:
        """One key."""
        with bench.database.read() as connection:
            record = key_changes.existing(connection, path.key_id)
        return json_answer(key_view(record))

    @api.patch(
        "/<key_id>",
        responses=answers({200: KeyView}, kinds.NO_SUCH_KEY, kinds.LAST_ADMIN_KEY, kinds.NOT_JSON, kinds.BROKEN_JSON),
    )
    def change_key(path: KeyPath, body: KeyChange) -> Response:
        """Change name, end or limits (JSON merge patch, RFC 7396); scopes and secret stay as they were made."""
        return json_answer(key_view(key_changes.change(bench.database, path.key_id, body)))

    @api.delete("/<key_id>", responses=answers({204: None}, kinds.NO_SUCH_KEY, kinds.LAST_ADMIN_KEY))
    def revoke_key(path: KeyPath) -> Response:
        """Revoke a key, at once and for good; it stays in the list, with its last use."""
        key_changes.revoke(bench.database, path.key_id)
        return Response(status=204)

    return api
