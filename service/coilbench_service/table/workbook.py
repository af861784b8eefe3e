"""A table as a spreadsheet (Office Open XML): typed cells, a frozen head, a sheet that explains the columns.

XlsxWriter in its constant-memory mode writes each row out as the next one begins. Text is written as text: no formula,
no link, no number is guessed from it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import IO, Any

import xlsxwriter

from coilbench_service.table import reasons
from coilbench_service.table.columns import Column

MEDIA_TYPE = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
MAX_ROWS = 1_048_576  # rows of one sheet, ECMA-376
LONGEST_CELL = 32_767  # characters, ECMA-376
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
) -> int:
    """Write the table to a file, and say how many rows it has; what does not fit on one sheet goes on on the next.

    Parameters
    ----------
    file : seekable
    name : of the sheet, such as strums
    max_rows : rows of a sheet, the head included
    """
    book = xlsxwriter.Workbook(file, _OPTIONS)
    formats = _Formats(book)
    sheet, at, sheets, written = None, max_rows, 0, 0
    for row in rows:
        if at >= max_rows:
            sheets += 1
            sheet, at = _begin_sheet(book, name if sheets == 1 else f"{name} {sheets}", columns, formats), 1
        _write_row(sheet, at, columns, row, formats)
        at += 1
        written += 1
    if sheet is None:
        _begin_sheet(book, name, columns, formats)
    _explain(book, columns, formats)
    book.close()
    return written


class _Formats:
    def __init__(self, book: Any) -> None:
        self.head = book.add_format({"bold": True, "bottom": 1})
        self._book = book
        self._numbers: dict[int | None, Any] = {None: None}

    def number(self, decimals: int | None) -> Any:
        if decimals not in self._numbers:
            self._numbers[decimals] = self._book.add_format({"num_format": "0." + "0" * decimals if decimals else "0"})
        return self._numbers[decimals]


def _begin_sheet(book: Any, name: str, columns: Sequence[Column], formats: _Formats) -> Any:
    sheet = book.add_worksheet(name)
    sheet.freeze_panes(1, 1)
    sheet.set_column(0, len(columns) - 1, 14)
    for at, column in enumerate(columns):
        sheet.write_string(0, at, column.key, formats.head)
    return sheet


def _explain(book: Any, columns: Sequence[Column], formats: _Formats) -> None:
    sheet = book.add_worksheet("columns")
    sheet.freeze_panes(1, 0)
    sheet.set_column(0, 1, 44)
    for at, text in enumerate(("column", "meaning", "unit")):
        sheet.write_string(0, at, text, formats.head)
    for row, column in enumerate(columns, start=1):
        for at, text in enumerate((column.key, column.title, column.unit or "")):
            sheet.write_string(row, at, text)


def _write_row(sheet: Any, at: int, columns: Sequence[Column], row: Mapping[str, Any], formats: _Formats) -> None:
    for place, column in enumerate(columns):
        value = row.get(column.key)
        if value is None:
            continue
        if isinstance(value, bool):
            sheet.write_boolean(at, place, value)
        elif isinstance(value, (int, float)):
            sheet.write_number(at, place, value, formats.number(column.decimals))
        else:
            text = reasons.text(value) if isinstance(value, Mapping) else str(value)
            sheet.write_string(at, place, text[:LONGEST_CELL])
