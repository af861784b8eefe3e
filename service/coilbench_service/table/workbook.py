"""A table as a spreadsheet (Office Open XML): typed cells with number formats, a frozen head, filters, charts, the
conditions and checks behind the rows, and a sheet that explains the columns.

XlsxWriter in its constant-memory mode writes each row out as the next one begins. Text is written as text: no formula,
no link, no number is guessed from it. The head of a column is its key, the same as in every other format and with the
unit in it; the sheet `columns` says title, unit, definition and source.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import IO, Any

import xlsxwriter

from coilbench_service.table import reasons
from coilbench_service.table.columns import Column
from coilbench_service.table.notes import CHECK_COLUMNS, Notes
from coilbench_service.table.workbook_charts import A4, Charts

MEDIA_TYPE = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
MAX_ROWS = 1_048_576  # rows of one sheet, ECMA-376
LONGEST_CELL = 32_767  # characters, ECMA-376
_WIDEST, _NARROWEST, _TEXT, _FILTER_BUTTON = 36, 10, 18, 4  # characters of a column
_EXPLAINED = (
    Column("column", "Column"),
    Column("meaning", "Meaning"),
    Column("unit", "Unit"),
    Column("definition", "Definition"),
    Column("source", "Source"),
)
_WIDE = {"definition": 90, "source": 60, "meaning": 60, "advice": 80, "left_out_why": 40, "checks": 60, "column": 34}
_OPTIONS = {
    "constant_memory": True,
    "strings_to_formulas": False,
    "strings_to_urls": False,
    "strings_to_numbers": False,
}


def write_workbook(
    file: IO[bytes],
    columns: Sequence[Column],
    rows: Iterable[Mapping[str, Any]],
    name: str,
    *,
    max_rows: int = MAX_ROWS,
    charts: Charts | None = None,
    notes: Callable[[], Notes] | None = None,
) -> int:
    """Write the table to a file, and say how many rows it has; what does not fit on one sheet goes on on the next.

    Parameters
    ----------
    file : seekable
    name : of the sheet, such as strums
    max_rows : rows of a sheet, the head included
    charts : has seen the rows when they were written
    notes : conditions and checks, asked for when all rows were written
    """
    book = xlsxwriter.Workbook(file, _OPTIONS)
    formats = _Formats(book)
    written = _write_rows(book, formats, name, columns, rows, max_rows)
    if charts is not None:
        charts.draw(book, formats.head)
    if notes is not None:
        behind = notes()
        _write_rows(book, formats, "conditions", behind.columns, behind.conditions(), max_rows)
        _write_rows(book, formats, "checks", CHECK_COLUMNS, behind.checks(), MAX_ROWS)
    explained = (
        {
            "column": column.key,
            "meaning": column.title,
            "unit": column.unit or "",
            "definition": column.definition or None,
            "source": column.source or None,
        }
        for column in columns
    )
    _write_rows(book, formats, "columns", _EXPLAINED, explained, MAX_ROWS)
    book.close()
    return written


class _Formats:
    def __init__(self, book: Any) -> None:
        self.head = book.add_format({"bold": True, "bottom": 1})
        self.truth = book.add_format({"num_format": '"TRUE";"TRUE";"FALSE"'})  # some programs keep them as 1 and 0
        self._book = book
        self._numbers: dict[int | None, Any] = {None: None}

    def number(self, decimals: int | None) -> Any:
        if decimals not in self._numbers:
            self._numbers[decimals] = self._book.add_format({"num_format": "0." + "0" * decimals if decimals else "0"})
        return self._numbers[decimals]


def _write_rows(
    book: Any,
    formats: _Formats,
    name: str,
    columns: Sequence[Column],
    rows: Iterable[Mapping[str, Any]],
    max_rows: int,
) -> int:
    """Write rows on a sheet of that name, and on further ones where it is full; how many there were."""
    sheet, at, sheets, written = _begin_sheet(book, name, columns, formats), 1, 1, 0
    for row in rows:
        if at >= max_rows:
            _end_sheet(sheet, at, columns)
            sheets += 1
            sheet, at = _begin_sheet(book, f"{name} {sheets}", columns, formats), 1
        _write_row(sheet, at, columns, row, formats)
        at += 1
        written += 1
    _end_sheet(sheet, at, columns)
    return written


def _begin_sheet(book: Any, name: str, columns: Sequence[Column], formats: _Formats) -> Any:
    sheet = book.add_worksheet(name)
    sheet.freeze_panes(1, 1)
    sheet.repeat_rows(0)  # on paper too
    sheet.repeat_columns(0)
    sheet.set_landscape()
    sheet.set_paper(A4)
    for at, column in enumerate(columns):
        least = _TEXT if column.kind == "text" else _NARROWEST
        width = _WIDE.get(column.key) or min(max(len(column.key) + _FILTER_BUTTON, least), _WIDEST)
        sheet.set_column(at, at, width)
        sheet.write_string(0, at, column.key, formats.head)
    return sheet


def _end_sheet(sheet: Any, rows: int, columns: Sequence[Column]) -> None:
    sheet.autofilter(0, 0, max(1, rows - 1), len(columns) - 1)


def _write_row(sheet: Any, at: int, columns: Sequence[Column], row: Mapping[str, Any], formats: _Formats) -> None:
    for place, column in enumerate(columns):
        value = row.get(column.key)
        if value is None:
            continue
        if isinstance(value, bool):
            sheet.write_boolean(at, place, value, formats.truth)
        elif isinstance(value, (int, float)):
            sheet.write_number(at, place, value, formats.number(column.decimals))
        else:
            text = reasons.text(value) if isinstance(value, Mapping) else str(value)
            sheet.write_string(at, place, text[:LONGEST_CELL])
