"""Call-backs: made, listed, read, changed, tried, deleted; what was sent to them. To change them takes scope admin."""

from __future__ import annotations

import re

from flask import Response, request
from flask_openapi3.blueprint import APIBlueprint
from flask_openapi3.models.tag import Tag
from pydantic import BaseModel, ConfigDict, Field, field_validator

from coilbench_service import callback_changes, idempotency
from coilbench_service import problem_kinds as kinds
from coilbench_service.answers import json_answer, page_answer, tag_of
from coilbench_service.bench import Bench
from coilbench_service.callback_changes import CallbackChange, NewCallback, callback_unknown, existing
from coilbench_service.callback_view import (
    Callback,
    CallbackPage,
    CallbackWithSecret,
    Delivery,
    DeliveryPage,
    callback_path,
    callback_view,
    delivery_view,
)
from coilbench_service.conditional import require_state
from coilbench_service.openapi import answers
from coilbench_service.selection import ID_PATTERN, MAX_LIMIT
from coilbench_worker.store import callbacks, deliveries
from coilbench_worker.store.callbacks import CallbackRecord

TAG = Tag(name="callbacks", description="Addresses that are told when takes end, after Standard Webhooks 1.0")


class CallbackPath(BaseModel):
    """The call-back meant."""

    callback_id: str = Field(description="Id of a call-back")

    @field_validator("callback_id")
    @classmethod
    def _could_be_one(cls, callback_id: str) -> str:
        """Keep from the database what no id can be; any Problem passes through pydantic."""
        if not re.fullmatch(ID_PATTERN, callback_id):
            raise callback_unknown(callback_id)
        return callback_id


class CallbackQuery(BaseModel):
    """A page of a list."""

    model_config = ConfigDict(extra="forbid")

    limit: int = Field(100, ge=1, le=MAX_LIMIT, description="Items on a page")
    cursor: str | None = Field(None, description="`next` of the page before", pattern=ID_PATTERN)


class Trial(BaseModel):
    """What a trial says: nothing."""

    model_config = ConfigDict(extra="forbid")


def blueprint(bench: Bench) -> APIBlueprint:
    """The routes of /v1/callbacks."""
    api = APIBlueprint("callbacks", __name__, url_prefix="/v1/callbacks", abp_tags=[TAG])

    @api.post(
        "",
        responses=answers(
            {201: CallbackWithSecret},
            kinds.CALLBACK_ADDRESS_REFUSED,
            kinds.TOO_MANY_CALLBACKS,
            kinds.NOT_JSON,
            kinds.BROKEN_JSON,
        ),
    )
    def add_callback(body: NewCallback) -> Response:
        """Have an address told when takes end; the answer shows its secret, this once."""
        idempotency.refuse_key(request)
        made = callback_changes.add(bench, body)
        document = {**callback_view(made), "secret": made.secret}
        return json_answer(document, 201, headers={"Location": callback_path(made.id)})

    @api.get("", responses=answers({200: CallbackPage}))
    def list_callbacks(query: CallbackQuery) -> Response:
        """List call-backs in the order in which they were made."""
        with bench.database.read() as connection:
            page = callbacks.page(connection, query.limit, query.cursor)
        return page_answer({"items": [callback_view(one) for one in page.items], "next": page.next})

    @api.get("/<callback_id>", responses=answers({200: Callback}, kinds.CALLBACK_UNKNOWN))
    def read_callback(path: CallbackPath) -> Response:
        """One call-back: what it hears of, whether it was stopped, and why."""
        with bench.database.read() as connection:
            return json_answer(callback_view(existing(connection, path.callback_id)))

    @api.patch(
        "/<callback_id>",
        responses=answers(
            {200: CallbackWithSecret},
            kinds.CALLBACK_UNKNOWN,
            kinds.CALLBACK_ADDRESS_REFUSED,
            kinds.PRECONDITION_FAILED,
            kinds.NOT_JSON,
            kinds.BROKEN_JSON,
        ),
    )
    def change_callback(path: CallbackPath, body: CallbackChange) -> Response:
        """Change a call-back, stop it, start it again, or give it a new secret, which the answer shows."""
        changed, secret = callback_changes.change(bench, path.callback_id, body, _require_state)
        return json_answer({**callback_view(changed), "secret": secret})

    @api.delete("/<callback_id>", responses=answers({204: None}, kinds.CALLBACK_UNKNOWN, kinds.PRECONDITION_FAILED))
    def delete_callback(path: CallbackPath) -> Response:
        """Delete a call-back with all that was, or was to be, sent to it."""
        callback_changes.remove(bench, path.callback_id, _require_state)
        return Response(status=204)

    @api.get("/<callback_id>/deliveries", responses=answers({200: DeliveryPage}, kinds.CALLBACK_UNKNOWN))
    def list_deliveries(path: CallbackPath, query: CallbackQuery) -> Response:
        """List what was, and is to be, sent to a call-back, the newest first."""
        with bench.database.read() as connection:
            existing(connection, path.callback_id)
            page = deliveries.page(connection, path.callback_id, query.limit, query.cursor)
        return page_answer({"items": [delivery_view(one) for one in page.items], "next": page.next})

    @api.post(
        "/<callback_id>/test",
        responses=answers(
            {202: Delivery}, kinds.CALLBACK_UNKNOWN, kinds.CALLBACK_TESTED_LATELY, kinds.NOT_JSON, kinds.BROKEN_JSON
        ),
    )
    def test_callback(path: CallbackPath, body: Trial) -> Response:
        """Have a message of type callback.test sent, to see whether it arrives; its deliveries say."""
        trial = callback_changes.test(bench, path.callback_id)
        return json_answer(delivery_view(trial), 202)

    return api


def _require_state(callback: CallbackRecord) -> None:
    require_state(request, tag=tag_of(callback_view(callback)), changed=callback.updated)
