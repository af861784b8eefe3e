"""A table as CSV (RFC 4180, UTF-8), row by row, safe to open in a spreadsheet.

A spreadsheet runs a text cell that begins with = + - @ TAB or CR as a formula (CWE-1236), some also after characters
that can't be seen, or with the signs in full width; such text gets an apostrophe in front. Numbers are numbers,
negative ones too.
"""

from __future__ import annotations

import csv
import io
import unicodedata
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

from coilbench_service.table import reasons
from coilbench_service.table.columns import Column

MEDIA_TYPE = "text/csv"
_FORMULA_SIGNS = frozenset("=+-@\uff1d\uff0b\uff0d\uff20\ufe66\ufe62\ufe63\ufe6b")  # plain, full-width, small
_PASSED_OVER = ("Zs", "Zl", "Zp", "Cc", "Cf")  # spaces, controls, format characters such as U+FEFF and U+200B
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
    return defused(reasons.text(value) if isinstance(value, Mapping) else str(value))


def defused(text: str) -> str:
    """Text as no spreadsheet takes it for a formula; `restored` gives it back.

    What would read as defused already gets one more apostrophe, so that nothing is taken off that was there before.
    """
    return f"'{text}" if _starts_formula(text.lstrip("'")) else text


def restored(text: str) -> str:
    """The text that was defused; any other as it is."""
    return text[1:] if text.startswith("'") and _starts_formula(text.lstrip("'")) else text


def _starts_formula(text: str) -> bool:
    """Whether a spreadsheet may read a formula: what it passes over at the begin is passed over here too."""
    if text.startswith(("\t", "\r")):
        return True
    first = next((one for one in text if unicodedata.category(one) not in _PASSED_OVER), None)
    return first in _FORMULA_SIGNS
