"""Table files: CSV, spreadsheet, JSON, JSON lines and Parquet.

Text cells of a CSV that begin like a formula, be it after characters that can't be seen or with its sign in full width,
are defused with an apostrophe (CWE-1236); a spreadsheet gets numbers as numbers and text as text, never a formula or a
link.
"""

from __future__ import annotations

import csv
import json
import unicodedata
from collections.abc import Callable, Mapping
from importlib import import_module
from pathlib import Path
from typing import Any

import xlsxwriter

from coilbench.errors import MissingLibrary, NotSaved
from coilbench.extension import form_for
from coilbench.table import Table, cell_text, is_numeric
from coilbench.whole_file import write_whole

_FORMULA_SIGNS = frozenset("=+-@\uff1d\uff0b\uff0d\uff20\ufe66\ufe62\ufe63\ufe6b")  # plain, full-width, small
_PASSED_OVER = ("Zs", "Zl", "Zp", "Cc", "Cf")  # spaces, controls, format characters such as U+FEFF and U+200B
LONGEST_CELL = 32_767
MOST_SHEET_ROWS = 1_048_576
NO_PARQUET = "Parquet needs pyarrow, which is not installed: pip install 'coilbench[parquet]'"
SMALL = 0.01
"""Numbers below, such as p values, are shown with a power of ten: two decimals would make them 0."""
NARROWEST, WIDEST = 8, 40
"""Cell length and rows: limits of the spreadsheet format."""


def save(table: Table, path: Path) -> Path:
    """Write a table in the format of the path's extension; all or nothing.

    Parameters
    ----------
    table : the table
    path : where to

    Raises
    ------
    UnknownFormat : no writer for the extension
    NotSaved : the folder is missing, the disk full, the file open elsewhere, or too many rows for a spreadsheet
    """
    write = writer_for(path)
    return write_whole(path, lambda partial: write(table, partial))


def save_answer(tables: Mapping[str, Table], document: Mapping[str, Any], path: Path) -> Path:
    """Write an answer of several tables in the format of the path's extension; all or nothing.

    Parameters
    ----------
    tables : by name; a spreadsheet has all of them, CSV, JSON lines and Parquet the first
    document : the whole answer, for JSON
    path : where to

    Raises
    ------
    UnknownFormat, NotSaved : as for `save`
    """
    writer_for(path)
    kind = path.suffix.lower()
    if kind == ".json":
        text = json.dumps(dict(document), ensure_ascii=False, indent=1) + "\n"
        return write_whole(path, lambda partial: partial.write_text(text, encoding="utf-8"))
    if kind != ".xlsx":
        return save(next(iter(tables.values())), path)
    return write_whole(path, lambda partial: _write_book(tables, partial))


def writer_for(path: Path) -> Callable[[Table, Path], None]:
    """The writer for a path's extension.

    Parameters
    ----------
    path : where a table is to go

    Raises
    ------
    UnknownFormat : no writer for the extension
    """
    return form_for(path, WRITERS, "a table")


def _write_csv(table: Table, path: Path) -> None:
    keys = [column.key for column in table.columns]
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(keys)
        for row in table.rows:
            writer.writerow([_csv_cell(row.get(key)) for key in keys])


def _csv_cell(value: Any) -> Any:
    if isinstance(value, int | float) and not isinstance(value, bool):
        return value
    text = cell_text(value)
    return f"'{text}" if _starts_formula(text) else text


def _starts_formula(text: str) -> bool:
    """Whether a spreadsheet may read a formula: what it passes over at the begin is passed over here too."""
    if text.startswith(("\t", "\r")):
        return True
    first = next((one for one in text if unicodedata.category(one) not in _PASSED_OVER), None)
    return first in _FORMULA_SIGNS


def _write_xlsx(table: Table, path: Path) -> None:
    _write_book({f"{table.per}s" if table.per in ("strum", "pickup") else "takes": table}, path)


def _write_book(tables: Mapping[str, Table], path: Path) -> None:
    """Write a sheet for each table, and one that says what their columns mean."""
    longest = max(len(table.rows) for table in tables.values())
    if longest >= MOST_SHEET_ROWS:
        raise NotSaved(f"{longest} rows are more than a spreadsheet holds ({MOST_SHEET_ROWS}); save as .csv")
    options = {
        "constant_memory": True,
        "strings_to_formulas": False,
        "strings_to_urls": False,
        "strings_to_numbers": False,
    }
    try:
        with xlsxwriter.Workbook(str(path), options) as book:
            _fill_book(book, tables)
    except xlsxwriter.exceptions.XlsxFileError as cause:
        raise OSError(str(cause)) from cause


def _fill_book(book: Any, tables: Mapping[str, Table]) -> None:
    bold = book.add_format({"bold": True, "bottom": 1})
    formats = (book.add_format({"num_format": "0.00"}), book.add_format({"num_format": "0.00E+00"}))
    for name, table in tables.items():
        _write_sheet(book.add_worksheet(name), table, bold, formats)
    legend = book.add_worksheet("columns")
    legend.set_column(0, 2, 28)
    columns = {column.key: column for table in tables.values() for column in table.columns}
    for line, cells in enumerate(
        [("column", "meaning", "unit"), *((c.key, c.title, c.unit) for c in columns.values())]
    ):
        for number, text in enumerate(cells):
            legend.write_string(line, number, text, bold if line == 0 else None)


def _write_sheet(sheet: Any, table: Table, bold: Any, formats: tuple[Any, Any]) -> None:
    sheet.freeze_panes(1, 0)
    for number, column in enumerate(table.columns):
        sheet.set_column(number, number, _width(table, column.key))
        sheet.write_string(0, number, column.key, bold)
    for line, row in enumerate(table.rows, 1):
        for number, column in enumerate(table.columns):
            _write_cell(sheet, line, number, row.get(column.key), formats)
    if table.columns:
        sheet.autofilter(0, 0, max(1, len(table.rows)), len(table.columns) - 1)


def _width(table: Table, key: str) -> int:
    """Width of a spreadsheet column in characters: that of its head or longest text, within bounds."""
    texts = (len(value) for row in table.rows if isinstance(value := row.get(key), str))
    return min(max(len(key), *texts, NARROWEST) + 2, WIDEST) if table.rows else len(key) + 2


def _write_cell(sheet: Any, line: int, number: int, value: Any, formats: tuple[Any, Any]) -> None:
    if value is None:
        return
    if isinstance(value, bool):
        sheet.write_boolean(line, number, value)
    elif isinstance(value, int):
        sheet.write_number(line, number, value)
    elif isinstance(value, float):
        decimal, small = formats
        sheet.write_number(line, number, value, small if 0.0 < abs(value) < SMALL else decimal)
    else:
        sheet.write_string(line, number, cell_text(value)[:LONGEST_CELL])


def _write_json(table: Table, path: Path) -> None:
    document = {
        "per": table.per,
        "columns": [{"key": column.key, "title": column.title, "unit": column.unit} for column in table.columns],
        "items": [dict(row) for row in table.rows],
    }
    path.write_text(json.dumps(document, ensure_ascii=False, indent=1) + "\n", encoding="utf-8")


def _write_jsonl(table: Table, path: Path) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        for row in table.rows:
            file.write(json.dumps(dict(row), ensure_ascii=False) + "\n")


def _write_parquet(table: Table, path: Path) -> None:
    try:
        pyarrow, parquet = import_module("pyarrow"), import_module("pyarrow.parquet")
    except ImportError as cause:
        raise MissingLibrary(NO_PARQUET) from cause
    fields, arrays = [], []
    for column in table.columns:
        values = [row.get(column.key) for row in table.rows]
        known = [value for value in values if value is not None]
        kind = pyarrow.string()
        if known and all(isinstance(value, bool) for value in known):
            kind = pyarrow.bool_()
        elif column.unit or is_numeric(values):
            whole_ones = not column.unit and all(isinstance(value, int) for value in known)
            kind = pyarrow.int64() if whole_ones else pyarrow.float64()
        else:
            values = [None if value is None else cell_text(value) for value in values]
        said = {name: text for name, text in (("title", column.title), ("unit", column.unit)) if text}
        fields.append(pyarrow.field(column.key, kind, metadata=said))
        arrays.append(pyarrow.array(values, kind))
    schema = pyarrow.schema(fields, metadata={"per": table.per})
    parquet.write_table(pyarrow.Table.from_arrays(arrays, schema=schema), str(path), compression="zstd")


WRITERS: dict[str, Callable[[Table, Path], None]] = {
    ".csv": _write_csv,
    ".xlsx": _write_xlsx,
    ".json": _write_json,
    ".jsonl": _write_jsonl,
    ".parquet": _write_parquet,
}
