"""Measurements as a table: JSON by pages, every other format as a whole."""

from __future__ import annotations

import re
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import asdict
from typing import IO, Any, Literal

from flask import Response, send_file
from flask_openapi3.blueprint import APIBlueprint
from flask_openapi3.models.tag import Tag
from pydantic import BaseModel, ConfigDict, Field, JsonValue, field_validator, model_validator
from sqlalchemy import Connection

from coilbench_service import problem_kinds as kinds
from coilbench_service.accepted import form_accepted
from coilbench_service.answers import page_answer
from coilbench_service.bench import Bench
from coilbench_service.openapi import answers
from coilbench_service.problems import Problem
from coilbench_service.selection import ID_PATTERN, TakeQuery, split_list
from coilbench_service.sheet import MOST_CHARACTERS
from coilbench_service.table import csv_text, json_lines, parquet, workbook
from coilbench_service.table.columns import Per, Spread, names
from coilbench_service.table.question import Question, Shape
from coilbench_service.table.rows import Row
from coilbench_worker.store import takes
from coilbench_worker.store.takes import TakeFilter

TAG = Tag(name="table", description="Measurements for spreadsheets and statistics")
Format = Literal["json", "jsonl", "csv", "xlsx", "parquet"]
_MEDIA_TYPES: dict[str, Format] = {
    "application/json": "json",
    json_lines.MEDIA_TYPE: "jsonl",
    csv_text.MEDIA_TYPE: "csv",
    workbook.MEDIA_TYPE: "xlsx",
    parquet.MEDIA_TYPE: "parquet",
}
ROWS = "Coilbench-Rows"
"""Header that says how many rows a file has, where that is known before it is sent."""


class TableQuery(TakeQuery):
    """What the table shows. `limit` and `cursor` page the JSON form, and count takes, or pickups; the other forms hold
    all.
    """

    per: Per = Field(
        "take",
        description="A row for every take with mean and spread, for every strum, or for every pickup with the mean of "
        "its takes and an interval that holds takes, not strums, for independent",
    )
    shape: Shape = Field("wide", description="long: a row for every number, with quantity, part, value, unit")
    spread: Spread = Field("all", description="none: means without standard deviation and interval")
    format: Format | None = Field(None, description="Goes before the Accept header")
    quantities: list[str] = Field(
        [], description="Keys of /v1/quantities; repeat or separate by commas; all when left out"
    )
    cursor: str | None = Field(None, description="`next` of the page before", min_length=1, max_length=MOST_CHARACTERS)

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

    @model_validator(mode="after")
    def _cursor_of_takes(self) -> TableQuery:
        if self.per != "pickup" and self.cursor is not None and not re.fullmatch(ID_PATTERN, self.cursor):
            raise ValueError("cursor is not the `next` of a page of takes")
        return self

    def question(self) -> Question:
        """The same without the format."""
        return Question(self.per, self.shape, self.spread, tuple(self.quantities) or None, self.filter())


class TableColumn(BaseModel):
    """One column."""

    key: str
    title: str
    unit: str | None


class TakeLeftOut(BaseModel):
    """What is in no mean."""

    take: str | None
    subject: str | None
    reason: str


class TablePage(BaseModel):
    """One page of the table."""

    model_config = ConfigDict(
        openapi_extra={"content": {kind: {} for kind in _MEDIA_TYPES if kind != "application/json"}}  # type: ignore[typeddict-unknown-key]
    )

    per: str
    shape: str
    columns: list[TableColumn]
    items: list[dict[str, JsonValue]] = Field(
        description="Rows by column key; null where nothing is defined. `reasons` is an object itself: why other "
        "columns are null, or of how many strums a mean is; one text in CSV and spreadsheets. It says nothing of "
        "millivolts while there is no chain at all"
    )
    left_out: list[TakeLeftOut] = Field(
        description="By pickup: takes that are in no mean of this page, and why; empty for rows of takes and strums"
    )
    next: str | None


def blueprint(bench: Bench) -> APIBlueprint:
    """The route of /v1/table."""
    api = APIBlueprint("table", __name__, url_prefix="/v1/table", abp_tags=[TAG])

    @api.get(
        "",
        responses=answers(
            {200: TablePage}, kinds.NOT_ACCEPTABLE, kinds.PRECONDITION_FAILED, kinds.PARQUET_NOT_INSTALLED
        ),
    )
    def read_table(query: TableQuery) -> Response:
        """Measurements as a table.

        Spreadsheets and Parquet say in the header Coilbench-Rows how many rows they have; CSV and JSON lines are sent
        while they are made.
        """
        form = query.format or form_accepted(_MEDIA_TYPES, "json")
        question = query.question()
        if form == "json":
            return _json_page(bench, question, query.limit, query.cursor)
        response = _FORMS[form](bench, question)
        response.headers["Content-Disposition"] = f'attachment; filename="{question.name}.{form}"'
        response.headers["Cache-Control"] = "no-store"
        return response

    return api


def _json_page(bench: Bench, question: Question, limit: int, cursor: str | None) -> Response:
    with bench.database.read() as connection:
        read = _page_of_pickups if question.per == "pickup" else _page_of_takes
        rows, left_out, following = read(connection, question, limit, cursor)
    shown = question.columns()
    heads = [{"key": column.key, "title": column.title, "unit": column.unit} for column in shown]
    keys = [column.key for column in shown]
    return page_answer(
        {
            "per": question.per,
            "shape": question.shape,
            "columns": heads,
            "items": [{key: row.get(key) for key in keys} for row in question.shaped(rows)],
            "left_out": left_out,
            "next": following,
        }
    )


Page = tuple[list[Row], list[dict[str, Any]], str | None]
"""Wide rows, what is left out, cursor of the page after."""


def _page_of_takes(connection: Connection, question: Question, limit: int, cursor: str | None) -> Page:
    page = takes.page(connection, question.takes, limit, cursor)
    if not page.items:
        return [], [], page.next
    ids = TakeFilter(id=tuple(take.id for take in page.items))
    rows = question.of_takes(connection, ids, [take.about for take in page.items])
    return list(rows), [], page.next


def _page_of_pickups(connection: Connection, question: Question, limit: int, cursor: str | None) -> Page:
    pickups = question.pickups(connection)
    rows = list(pickups.rows(cursor, limit))
    last = rows[-1]["pickup"] if rows else None
    following = last if last is not None and last != pickups.keys[-1] else None
    left_out: list[dict[str, Any]] = [asdict(one) for one in pickups.left_out]
    if following is None and pickups.nameless:
        left_out.append({"take": None, "subject": None, "reason": nameless(pickups.nameless)})
    return rows, left_out, following


def nameless(number: int) -> str:
    """That takes name no pickup."""
    return "1 take names no pickup" if number == 1 else f"{number} takes name no pickup"


def _every_row(bench: Bench, question: Question) -> Iterator[Row]:
    with bench.database.read() as connection:
        yield from question.rows(connection)


def _csv(bench: Bench, question: Question) -> Response:
    pieces = csv_text.csv_pieces(question.columns(), _every_row(bench, question))
    return Response(pieces, mimetype=csv_text.MEDIA_TYPE)


def _jsonl(bench: Bench, question: Question) -> Response:
    pieces = json_lines.json_pieces(question.columns(), _every_row(bench, question))
    return Response(pieces, mimetype=json_lines.MEDIA_TYPE)


def _xlsx(bench: Bench, question: Question) -> Response:
    def write(file: IO[bytes]) -> int:
        with bench.database.read() as connection:
            return question.write_workbook(connection, file)

    return _file(write, workbook.MEDIA_TYPE)


def _parquet(bench: Bench, question: Question) -> Response:
    def write(file: IO[bytes]) -> int:
        about = {"per": question.per, "shape": question.shape}
        return parquet.write_parquet(file, question.columns(), _every_row(bench, question), about)

    try:
        return _file(write, parquet.MEDIA_TYPE)
    except parquet.NoParquet as error:
        detail = f"Parquet needs pyarrow, which the extra `{parquet.EXTRA}` of this service brings: {error}."
        raise Problem(kinds.PARQUET_NOT_INSTALLED, detail) from error


def _file(write: Callable[[IO[bytes]], int], media_type: str) -> Response:
    """What is complete only when it ends, out of a temporary file that the answer takes along."""
    file = tempfile.TemporaryFile()  # noqa: SIM115 closed by the response
    try:
        rows = write(file)
        size = file.seek(0, 2)
        file.seek(0)
    except BaseException:
        file.close()
        raise
    response = send_file(file, mimetype=media_type)
    response.content_length = size
    response.headers[ROWS] = str(rows)
    return response


_FORMS: dict[Format, Callable[[Bench, Question], Response]] = {
    "jsonl": _jsonl,
    "csv": _csv,
    "xlsx": _xlsx,
    "parquet": _parquet,
}
