"""Sheets as CSV (RFC 4180, UTF-8): all of a kind written, and read again. An import of an export changes nothing.

A column states its field for every row: an empty cell says that nothing is known, and takes out what was there. Fields
without a column stay as they are. Cells are separated by comma, semicolon or TAB, whichever the header has most of;
with semicolon or TAB numbers may have a decimal comma. Spaces round a cell don't count, nor do lines without text.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator, Mapping, Sequence
from copy import deepcopy
from dataclasses import dataclass
from typing import Any

from pydantic import BaseModel

from coilbench_service.about import Conditions
from coilbench_service.problems import FieldError
from coilbench_service.sheet import CONDITION, GIVEN, SheetFaulty, faults_of_names, key_checked, validated
from coilbench_service.sheet_columns import (
    NUMBER_WITH_COMMA,
    SheetColumn,
    all_columns,
    known_columns,
    own_column,
    value_of,
    written,
)
from coilbench_service.table.csv_text import defused, restored
from coilbench_worker.store.sheets import SheetRecord

MEDIA_TYPE = "text/csv"
MAX_BYTES = 4 << 20
"""Of a table to import: thousands of sheets."""
MOST_ROWS = 2_000
"""Sheets in one import, which is one transaction."""
MOST_COLUMNS = 500
"""Far more than there are fields; own fields have columns too."""
KEY = "key"
SEPARATORS = (",", ";", "\t")


class CsvFaulty(ValueError):
    """A table that can't be imported; `faults` names each line and column."""

    def __init__(self, faults: Iterable[FieldError]) -> None:
        self.faults = list(faults)
        super().__init__("; ".join(f"{fault.field}: {fault.message}" for fault in self.faults[:3]))


@dataclass(frozen=True)
class TableRow:
    """One row: the line where it begins, its key, its values by column, None where the cell is empty."""

    line: int
    key: str
    values: Mapping[SheetColumn, Any]


@dataclass(frozen=True)
class Table:
    """A table of sheets, read; keys are all different."""

    model: type[BaseModel]
    rows: Sequence[TableRow]

    @classmethod
    def read(cls, text: bytes, model: type[BaseModel]) -> Table:
        """Read a table.

        Raises
        ------
        CsvFaulty : all faults that can be seen without knowing the sheets that are there
        """
        lines = _lines(_decoded(text))
        if not lines:
            raise CsvFaulty([FieldError("line 1", f"the table is empty; it needs a header with a column `{KEY}`")])
        (line, header), *body = lines.rows
        columns = _columns(line, header, model)
        if len(body) > MOST_ROWS:
            raise CsvFaulty([FieldError("body", f"the table has {len(body)} rows; at most {MOST_ROWS} are taken")])
        comma = lines.separator != ","
        mixed = comma and _has_decimal_comma(columns, body)
        faults: list[FieldError] = []
        rows: dict[str, TableRow] = {}
        for line, cells in body:
            row = _row(line, cells, columns, faults, decimal_comma=comma, mixed=mixed)
            if row is None:
                continue
            if row.key in rows:
                message = f"{row.key!r} stands in line {rows[row.key].line} already"
                faults.append(FieldError(_place(line, KEY), message))
            rows.setdefault(row.key, row)
        if faults:
            raise CsvFaulty(faults)
        return cls(model, list(rows.values()))

    def sheets(self, known: Mapping[str, Mapping[str, Any]]) -> dict[str, dict[str, Any]]:
        """The sheets as they are after the import, by key.

        Parameters
        ----------
        known : the sheets that are there, by key

        Raises
        ------
        CsvFaulty : values that a sheet can't have
        """
        faults: list[FieldError] = []
        found: dict[str, dict[str, Any]] = {}
        for row in self.rows:
            sheet = deepcopy(dict(known.get(row.key, {})))
            for column, value in row.values.items():
                column.put(sheet, value)
            try:
                found[row.key] = validated(self.model, sheet)
            except SheetFaulty as error:
                faults += [FieldError(_place(row.line, _column_of(one.field)), one.message) for one in error.faults]
        if faults:
            raise CsvFaulty(faults)
        return found


def pieces(model: type[BaseModel], records: Sequence[SheetRecord]) -> Iterator[bytes]:
    """Sheets as CSV, line by line."""
    columns = all_columns(model, (record.sheet for record in records))
    header = [KEY, *(defused(column.name) for column in columns)]
    # What the separator is, the reader sees by the header: other separators in names are kept within quotation marks.
    many = any(separator in name for name in header for separator in SEPARATORS)
    yield _line(header, csv.QUOTE_ALL if many else csv.QUOTE_MINIMAL)
    for record in records:
        cells = [written(column, column.of(record.sheet)) for column in columns]
        yield _line([defused(record.key), *cells], csv.QUOTE_MINIMAL)


def _line(cells: Sequence[str], quoting: Any) -> bytes:
    buffer = io.StringIO()
    csv.writer(buffer, lineterminator="\r\n", quoting=quoting).writerow(cells)
    return buffer.getvalue().encode()


@dataclass(frozen=True)
class _Lines:
    """The rows that have text, each with the line where it begins."""

    separator: str
    rows: list[tuple[int, list[str]]]

    def __bool__(self) -> bool:
        return bool(self.rows)


def _decoded(text: bytes) -> str:
    if text.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise CsvFaulty([FieldError("line 1", "the table is UTF-16; save it as CSV in UTF-8")])
    try:
        decoded = text.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = text.count(b"\n", 0, error.start) + 1
        message = f"the table is not UTF-8 (byte {text[error.start]:#04x}); save it as CSV in UTF-8"
        raise CsvFaulty([FieldError(f"line {line}", message)]) from error
    if (at := decoded.find("\x00")) >= 0:
        line = decoded.count("\n", 0, at) + 1
        raise CsvFaulty([FieldError(f"line {line}", "holds a NUL character, which is no text")])
    return decoded


def _lines(text: str) -> _Lines:
    separator = _separator(next((line for line in text.splitlines() if line.strip()), ""))
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    rows = []
    begin = 1
    try:
        for cells in reader:
            if any(cell.strip() for cell in cells):
                rows.append((begin, cells))
            begin = reader.line_num + 1
    except csv.Error as error:
        message = f"can't be taken apart ({error}); look at its quotation marks"
        raise CsvFaulty([FieldError(f"line {begin}", message)]) from error
    return _Lines(separator, rows)


def _separator(header: str) -> str:
    """The separator that the header has most of, outside of quotation marks."""
    plain = "".join(header.split('"')[::2])
    return max(SEPARATORS, key=plain.count)


def _columns(line: int, header: Sequence[str], model: type[BaseModel]) -> list[SheetColumn | None]:
    """What each column is; None where it has no name."""
    count = max(number for number, cell in enumerate(header, 1) if cell.strip())
    if count > MOST_COLUMNS:
        raise CsvFaulty([FieldError(f"line {line}", f"has {count} columns; at most {MOST_COLUMNS} are taken")])
    names = [restored(cell.strip()) for cell in header[:count]]
    known = {KEY: SheetColumn(KEY, (KEY,), str), **known_columns(model)}
    faults: list[FieldError] = []
    found: list[SheetColumn | None] = []
    for name in names:
        column = known.get(name) or (own_column(model, name) if name else None)
        if column is not None and column.type is None:
            faults += _faults_of_own(line, column, model)
        elif name and found.count(column):
            faults.append(FieldError(_place(line, name), "stands there twice"))
        found.append(column)
    own = [column.name for column in found if column is not None and column.type is None]
    faults += [FieldError(_place(line, name), "stands there twice") for name in _twice(own)]
    if KEY not in names:
        shown = ", ".join(name for name in names if name)
        faults.append(FieldError(f"line {line}", f"no column is named `{KEY}`; there are {shown:.200}"))
    if faults:
        raise CsvFaulty(faults)
    return found


def _twice(names: Sequence[str]) -> list[str]:
    return [name for name in dict.fromkeys(names) if names.count(name) > 1]


def _faults_of_own(line: int, column: SheetColumn, model: type[BaseModel]) -> list[FieldError]:
    *place, name = column.path
    if name in GIVEN:
        return [FieldError(_place(line, name), "is given by the service; leave the column out")]
    of, begin = (Conditions, CONDITION) if "conditions" in place else (model, "")
    return [FieldError(_place(line, column.name), one.message) for one in faults_of_names({name: 0}, of, begin)]


def _has_decimal_comma(columns: Sequence[SheetColumn | None], body: Sequence[tuple[int, Sequence[str]]]) -> bool:
    numeric = [at for at, column in enumerate(columns) if column is not None and column.type in (int, float)]
    return any(
        at < len(cells) and NUMBER_WITH_COMMA.fullmatch(cells[at].strip()) for _, cells in body for at in numeric
    )


def _row(
    line: int,
    cells: Sequence[str],
    columns: Sequence[SheetColumn | None],
    faults: list[FieldError],
    *,
    decimal_comma: bool,
    mixed: bool,
) -> TableRow | None:
    before = len(faults)
    if len(cells) < len(columns):
        message = f"has {len(cells)} cells under {len(columns)} columns; is the line cut off?"
        faults.append(FieldError(f"line {line}", message))
        return None
    if any(cell.strip() for cell in cells[len(columns) :]):
        message = f"has {len(cells)} cells under {len(columns)} columns; put quotation marks round text with separators"
        faults.append(FieldError(f"line {line}", message))
        return None
    key, values = "", {}
    for number, (column, sent) in enumerate(zip(columns, cells, strict=False), 1):
        cell = restored(sent.strip())
        if column is None:
            if cell:
                faults.append(FieldError(f"line {line}, column {number}", "has text, and the column has no name"))
            continue
        try:
            if column.name == KEY:
                key = key_checked(cell)
            else:
                values[column] = value_of(column, cell, decimal_comma=decimal_comma, mixed=mixed) if cell else None
        except SheetFaulty as error:
            faults += [FieldError(_place(line, KEY), one.message) for one in error.faults]
        except ValueError as error:
            faults.append(FieldError(_place(line, column.name), str(error)))
    return TableRow(line, key, values) if len(faults) == before else None


def _place(line: int, column: str) -> str:
    return f"line {line}, column `{column}`" if column else f"line {line}"


def _column_of(field: str) -> str:
    """The column of a field of a sheet, from its dotted name."""
    if field == "body":
        return ""
    return field.replace("conditions.extra.", CONDITION).removeprefix("extra.").removeprefix("conditions.")
