"""Measurements as a table: JSON by pages, CSV and spreadsheets as a whole."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from typing import Literal

from flask import Response, request, send_file
from flask_openapi3.blueprint import APIBlueprint
from flask_openapi3.models.tag import Tag
from pydantic import BaseModel, ConfigDict, Field, JsonValue, field_validator

from coilbench_service import problem_kinds as kinds
from coilbench_service.answers import page_answer
from coilbench_service.bench import Bench
from coilbench_service.calibrations import Calibrations
from coilbench_service.inheritance import Inheritance
from coilbench_service.openapi import answers
from coilbench_service.problems import FieldError, Problem
from coilbench_service.selection import TakeQuery, split_list
from coilbench_service.table import csv_text, workbook
from coilbench_service.table.columns import Column, Per, columns, names
from coilbench_service.table.rows import Row, Rows
from coilbench_worker.store import measurements, takes
from coilbench_worker.store.takes import TakeFilter

TAG = Tag(name="table", description="Measurements for spreadsheets and statistics")
Format = Literal["json", "csv", "xlsx"]
_MEDIA_TYPES: dict[str, Format] = {"application/json": "json", csv_text.MEDIA_TYPE: "csv", workbook.MEDIA_TYPE: "xlsx"}


class TableQuery(TakeQuery):
    """What the table shows. `limit` and `cursor` page the JSON form, and count takes; the other forms hold all."""

    per: Per = Field("take", description="A row for every take with mean and spread, or for every strum")
    format: Format | None = Field(None, description="Goes before the Accept header")
    quantities: list[str] = Field(
        [], description="Keys of /v1/quantities; repeat or separate by commas; all when left out"
    )

    @field_validator("quantities", mode="before")
    @classmethod
    def _split_quantities(cls, values: object) -> object:
        return split_list(values)

    @field_validator("quantities")
    @classmethod
    def _known_quantities(cls, keys: list[str]) -> list[str]:
        unknown = sorted(set(keys) - set(names()))
        if unknown:
            raise ValueError(f"{', '.join(unknown)!r} is not a quantity; see /v1/quantities")
        return keys


class TableColumn(BaseModel):
    """One column."""

    key: str
    title: str
    unit: str | None


class TablePage(BaseModel):
    """One page of the table."""

    model_config = ConfigDict(
        openapi_extra={"content": {csv_text.MEDIA_TYPE: {}, workbook.MEDIA_TYPE: {}}}  # type: ignore[typeddict-unknown-key]
    )

    per: str
    columns: list[TableColumn]
    items: list[dict[str, JsonValue]] = Field(
        description="Rows by column key; null where nothing is defined. `reasons` is an object itself: why other "
        "columns are null, or of how many strums a mean is; one text in CSV and spreadsheets. It says nothing of "
        "millivolts while there is no chain at all"
    )
    next: str | None


def blueprint(bench: Bench) -> APIBlueprint:
    """The route of /v1/table."""
    api = APIBlueprint("table", __name__, url_prefix="/v1/table", abp_tags=[TAG])

    @api.get("", responses=answers({200: TablePage}, kinds.NOT_ACCEPTABLE, kinds.PRECONDITION_FAILED))
    def read_table(query: TableQuery) -> Response:
        """Measurements as a table."""
        form = query.format or _form_accepted()
        chosen = query.quantities or None
        shown = columns(query.per, chosen)
        rows = Rows(query.per, chosen)
        if form == "json":
            return _json_page(bench, query, shown, rows)
        name = f"{query.per}s"
        every = _every_row(bench, query.filter(), rows)
        response = _csv(shown, every) if form == "csv" else _xlsx(shown, every, name)
        response.headers["Content-Disposition"] = f'attachment; filename="{name}.{form}"'
        response.headers["Cache-Control"] = "no-store"
        return response

    return api


def _form_accepted() -> Format:
    accept = request.accept_mimetypes
    if not accept:
        return "json"
    best = accept.best_match(list(_MEDIA_TYPES))
    if best is None:
        detail = f"Accept says {request.headers.get('Accept')!r:.200}; there are {', '.join(_MEDIA_TYPES)}."
        raise Problem(kinds.NOT_ACCEPTABLE, detail, errors=[FieldError("Accept", "names no form that can be given")])
    return _MEDIA_TYPES[best]


def _json_page(bench: Bench, query: TableQuery, shown: list[Column], rows: Rows) -> Response:
    with bench.database.read() as connection:
        page = takes.page(connection, query.filter(), query.limit, query.cursor)
        ids = TakeFilter(id=tuple(take.id for take in page.items))
        found = measurements.each_with_take(connection, ids) if page.items else ()
        inheritance = Inheritance(connection, [take.about for take in page.items])
        calibrations = Calibrations(connection)
        items: list[Row] = [
            row
            for take, measurement in found
            for row in rows.of(take, measurement, inheritance.about(take.about), calibrations)
        ]
    heads = [{"key": column.key, "title": column.title, "unit": column.unit} for column in shown]
    keys = [column.key for column in shown]
    whole = [{key: row.get(key) for key in keys} for row in items]
    return page_answer({"per": query.per, "columns": heads, "items": whole, "next": page.next})


def _every_row(bench: Bench, chosen: TakeFilter, rows: Rows) -> Iterator[Row]:
    with bench.database.read() as connection:
        inheritance, calibrations = Inheritance(connection), Calibrations(connection)
        for take, measurement in measurements.each_with_take(connection, chosen):
            yield from rows.of(take, measurement, inheritance.about(take.about), calibrations)


def _csv(shown: list[Column], every: Iterator[Row]) -> Response:
    return Response(csv_text.csv_pieces(shown, every), mimetype=csv_text.MEDIA_TYPE)


def _xlsx(shown: list[Column], every: Iterator[Row], name: str) -> Response:
    file = tempfile.TemporaryFile()  # noqa: SIM115 closed by the response
    try:
        workbook.write_workbook(file, shown, every, name)
        size = file.tell()
        file.seek(0)
    except BaseException:
        file.close()
        raise
    response = send_file(file, mimetype=workbook.MEDIA_TYPE)
    response.content_length = size
    return response
