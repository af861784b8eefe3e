"""A table as CSV (RFC 4180, UTF-8), row by row, safe to open in a spreadsheet.

A spreadsheet runs a text cell that begins with = + - @ TAB or CR as a formula (CWE-1236); such text gets an apostrophe
in front. Numbers are numbers, negative ones too.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

from coilbench_service.table.columns import Column

MEDIA_TYPE = "text/csv"
_STARTS_FORMULA = ("=", "+", "-", "@", "\t", "\r")
_PIECE_CHARACTERS = 32 * 1024


def csv_pieces(columns: Sequence[Column], rows: Iterable[Mapping[str, Any]]) -> Iterator[bytes]:
    """The table in pieces of some 32 KiB, the first line with the keys of the columns."""
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\r\n")
    writer.writerow([column.key for column in columns])
    for row in rows:
        writer.writerow([cell(row.get(column.key)) for column in columns])
        if buffer.tell() >= _PIECE_CHARACTERS:
            yield buffer.getvalue().encode()
            buffer.seek(0)
            buffer.truncate()
    yield buffer.getvalue().encode()


def cell(value: Any) -> str:
    """One cell's text: nothing for None, true or false, numbers in full, text defused."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, (int, float)):
        return repr(value)
    text = str(value)
    return f"'{text}" if text.startswith(_STARTS_FORMULA) else text
