"""Manifests: a table of files and what is known about each, as CSV.

Column `file` names the recording, relative to the manifest; every other column is a field of the description. Comma,
semicolon or TAB between cells (the header decides), UTF-8 with or without a byte order mark. Empty cells say nothing.
One file may stand in several lines: each is a take of its own.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from coilbench.description import parse
from coilbench.errors import BadDescription, BadManifest

FILE_COLUMN = "file"
SEPARATORS = (",", ";", "\t")


@dataclass(frozen=True)
class Entry:
    """One line of a manifest: its number in the file, the recording, the description."""

    line: int
    file: Path
    about: Mapping[str, Any]


@dataclass(frozen=True)
class Manifest:
    """A manifest that has been read."""

    path: Path
    entries: tuple[Entry, ...]


def read_manifest(path: Path) -> Manifest:
    """Read a manifest.

    Parameters
    ----------
    path : the CSV file

    Raises
    ------
    BadManifest : can't be opened, not UTF-8, no `file` column, a column twice, too many cells in a line, or a value
        that can't be read; all faults at once, each with its line and column
    """
    text = _text(path)
    header_line = next((line for line in text.splitlines() if line.strip()), "")
    separator = max(SEPARATORS, key=header_line.count)
    rows = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    header: list[str] | None = None
    entries: list[Entry] = []
    faults: list[str] = []
    try:
        for cells in rows:
            if not any(cell.strip() for cell in cells):
                continue
            if header is None:
                header = _header(path, rows.line_num, cells)
                continue
            entry = _entry(path, rows.line_num, header, cells, faults, decimal_comma=separator == ";")
            if entry is not None:
                entries.append(entry)
    except csv.Error as cause:
        faults.append(f"line {rows.line_num}: {cause}. Check the quotation marks.")
    if header is None and not faults:
        faults.append("is empty. It needs a header line with a column `file`.")
    if faults:
        raise BadManifest(path, faults)
    return Manifest(path, tuple(entries))


def _text(path: Path) -> str:
    try:
        return path.read_bytes().decode("utf-8-sig")
    except OSError as cause:
        raise BadManifest(path, [f"can't be opened: {cause.strerror or cause}"]) from cause
    except UnicodeDecodeError as cause:
        raise BadManifest(path, ["is not UTF-8 text. Save it again as CSV with the encoding UTF-8."]) from cause


def _header(path: Path, line: int, cells: list[str]) -> list[str]:
    header = [cell.strip() for cell in cells]
    while header and not header[-1]:
        header.pop()
    faults = [
        f"line {line}, column {number}: the column has no name" for number, name in enumerate(header, 1) if not name
    ]
    faults += [
        f"line {line}: column `{name}` stands there twice"
        for name in dict.fromkeys(header)
        if name and header.count(name) > 1
    ]
    if FILE_COLUMN not in header:
        faults.append(f"line {line}: no column `file`; found {', '.join(name for name in header if name)}")
    if faults:
        raise BadManifest(path, faults)
    return header


def _entry(
    path: Path, line: int, header: list[str], cells: list[str], faults: list[str], *, decimal_comma: bool
) -> Entry | None:
    if any(cell.strip() for cell in cells[len(header) :]):
        faults.append(
            f"line {line}: {len(cells)} cells under {len(header)} columns. Put quotation marks round text that "
            f"holds the separator."
        )
        return None
    row = {name: cell.strip() for name, cell in zip(header, cells, strict=False)}
    file = row.pop(FILE_COLUMN, "")
    if not file:
        faults.append(f"line {line}, column `file`: empty")
        return None
    about: dict[str, Any] = {}
    for name, cell in row.items():
        if not cell:
            continue
        try:
            about[name] = parse(name, cell, decimal_comma=decimal_comma)
        except BadDescription as fault:
            faults.append(f"line {line}, column `{name}`: {fault}")
    return Entry(line, _resolved(path.parent, file), about)


def _resolved(folder: Path, file: str) -> Path:
    path = folder / file
    if not path.exists() and "\\" in file:
        path = folder / file.replace("\\", "/")
    return path
