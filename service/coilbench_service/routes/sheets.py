"""The routes of data sheets, those of pickups and of sessions alike: made, listed, read, changed, deleted, as CSV."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Literal

from flask import Response, request
from flask_openapi3.blueprint import APIBlueprint
from flask_openapi3.models.tag import Tag
from pydantic import BaseModel, ConfigDict, Field

from coilbench_service import problem_kinds as kinds
from coilbench_service import sheet_changes, sheet_csv
from coilbench_service.accepted import form_accepted
from coilbench_service.answers import json_answer, page_answer, tag_of
from coilbench_service.bench import Bench
from coilbench_service.conditional import require_state
from coilbench_service.openapi import Making, answers
from coilbench_service.problems import Problem
from coilbench_service.selection import ID_PATTERN, MAX_LIMIT
from coilbench_service.sheet import MOST_CHARACTERS, SheetKey
from coilbench_service.sheet_kind import SheetKind
from coilbench_service.sheet_view import Imported, page_view, sheet_view
from coilbench_worker.store.sheets import SheetRecord

Format = Literal["json", "csv"]
_MEDIA_TYPES: dict[str, Format] = {"application/json": "json", sheet_csv.MEDIA_TYPE: "csv"}
MAKING = (
    "As JSON: one {name}; 201. As text/csv: a table of {plural}, all rows or none; 200, with how many were made, "
    "changed and left as they were. A column states its field in every row, and an empty cell takes out what was said; "
    "fields without a column stay. Cells are separated by comma, semicolon or TAB; with the latter two, numbers may "
    "have a decimal comma. Fields that the service does not know are kept under `extra`, and have columns of their own."
)
LISTING = "With format=csv, or Accept: text/csv, all {plural} as a table that can be imported again."


class SheetQuery(BaseModel):
    """A page of sheets; as CSV all of them."""

    model_config = ConfigDict(extra="forbid")

    limit: int = Field(100, ge=1, le=MAX_LIMIT, description="Sheets on a page")
    cursor: str | None = Field(None, description="`next` of the page before", pattern=ID_PATTERN)
    format: Format | None = Field(None, description="Goes before the Accept header")


class SheetPath(BaseModel):
    """The sheet meant."""

    key: str = Field(description="Key of a sheet")


def blueprint(bench: Bench, kind: SheetKind, view: type[BaseModel], page: type[BaseModel], about: str) -> APIBlueprint:
    """The routes of one kind of sheet.

    Parameters
    ----------
    view, page : the models of the answers
    about : one line on what they are
    """
    tag = Tag(name=kind.plural, description=about)
    api = APIBlueprint(kind.plural, __name__, url_prefix=f"/v1/{kind.plural}", abp_tags=[tag])

    def require(shown: dict[str, Any], record: SheetRecord) -> None:
        require_state(request, tag=tag_of(shown), changed=record.updated)

    @api.post(
        "",
        summary=f"Make a {kind.name}, or import {kind.plural} from CSV.",
        description=MAKING.format(name=kind.name, plural=kind.plural),
        responses=answers({200: Imported, 201: view}, kind.exists, *sheet_changes.PROBLEMS),
        openapi_extensions=_body(kind, new=True),
    )
    def add_sheet(header: Making) -> Response:
        if request.mimetype == sheet_csv.MEDIA_TYPE:
            _require_utf8()
            status, done = sheet_changes.bring_in(bench, request, kind, request.get_data(), header.idempotency_key)
            return json_answer(done, status)
        status, made = sheet_changes.add(bench, request, kind, request.get_json(), header.idempotency_key)
        return json_answer(made, status, headers={"Location": made["links"]["self"]})

    @api.get(
        "",
        summary=f"List {kind.plural} in the order in which they were made.",
        description=LISTING.format(plural=kind.plural),
        responses=answers({200: page}, kinds.NOT_ACCEPTABLE),
    )
    def list_sheets(query: SheetQuery) -> Response:
        if (query.format or form_accepted(_MEDIA_TYPES, "json")) == "csv":
            response = Response(_every(bench, kind), mimetype=sheet_csv.MEDIA_TYPE)
            response.headers["Content-Disposition"] = f'attachment; filename="{kind.plural}.csv"'
            response.headers["Cache-Control"] = "no-store"
            return response
        with bench.database.read() as connection:
            shown = page_view(connection, kind, query.limit, query.cursor)
        return page_answer(shown)

    @api.get(
        "/<key>",
        summary=f"One {kind.name}.",
        responses=answers({200: view}, kind.unknown, kinds.PRECONDITION_FAILED),
    )
    def read_sheet(path: SheetPath) -> Response:
        with bench.database.read() as connection:
            record = sheet_changes.existing(connection, kind, _possible(kind, path.key))
            shown = sheet_view(connection, kind, record)
        return json_answer(shown, tagged=True)

    @api.patch(
        "/<key>",
        summary=f"Change what is said of a {kind.name} (JSON merge patch, RFC 7396); its key stays.",
        responses=answers({200: view}, kind.unknown, kinds.PRECONDITION_FAILED, kinds.NOT_JSON, kinds.BROKEN_JSON),
        openapi_extensions=_body(kind, new=False),
    )
    def change_sheet(path: SheetPath) -> Response:
        key = _possible(kind, path.key)
        return json_answer(sheet_changes.change(bench, kind, key, request.get_json(), require))

    @api.delete(
        "/<key>",
        summary=f"Delete the sheet of a {kind.name}; takes that name it stay, and inherit nothing from it.",
        responses=answers({204: None}, kind.unknown, kinds.PRECONDITION_FAILED),
    )
    def delete_sheet(path: SheetPath) -> Response:
        sheet_changes.remove(bench, kind, _possible(kind, path.key), require)
        return Response(status=204)

    return api


def _body(kind: SheetKind, *, new: bool) -> dict[str, Any]:
    """What the OpenAPI document says of a body: the sheet, with its key when it is new, or a table."""
    sheet = kind.model.model_json_schema(ref_template="#/components/schemas/{model}")
    sheet.pop("$defs", None)
    sheet["additionalProperties"] = True
    if not new:
        types = ("application/json", "application/merge-patch+json")
        return {"requestBody": {"required": True, "content": {one: {"schema": sheet} for one in types}}}
    key = SheetKey.model_json_schema()["properties"]["key"]
    whole = {**sheet, "properties": {"key": key, **sheet["properties"]}, "required": ["key"]}
    table = {"schema": {"type": "string", "description": "UTF-8, a header with a column `key`"}}
    content = {"application/json": {"schema": whole}, sheet_csv.MEDIA_TYPE: table}
    return {"requestBody": {"required": True, "content": content}}


def _every(bench: Bench, kind: SheetKind) -> Iterator[bytes]:
    with bench.database.read() as connection:
        records = list(kind.store.by_key(connection).values())
    return sheet_csv.pieces(kind.model, records)


def _require_utf8() -> None:
    if request.mimetype_params.get("charset", "utf-8").lower() not in ("utf-8", "utf8", "us-ascii"):
        raise Problem(kinds.NOT_JSON, "A table is sent in UTF-8.", advice="Save the table as CSV in UTF-8.")


def _possible(kind: SheetKind, key: str) -> str:
    """Keep from the database what no key can be."""
    if not key.isprintable() or len(key) > MOST_CHARACTERS:
        raise kind.no_such(key)
    return key
