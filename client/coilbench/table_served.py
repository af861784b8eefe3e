"""A table that the service holds: rows come page by page as they are read, and a file is written by the service.

Neither needs the whole table in memory: iterate over it, or save it. What asks for all rows at once (`rows`, `len`,
`to_pandas`) reads them all, and keeps them.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any, BinaryIO

import requests

from coilbench.errors import NotReachable, UnreadableAnswer
from coilbench.table import Row, Table, columns_of
from coilbench.table_files import writer_for
from coilbench.transport import Transport
from coilbench.whole_file import write_whole

PATH = "/v1/table"
ROWS_OF_PAGE = {"take": "200", "strum": "50", "pickup": "10"}
"""Takes, or pickups, asked for at once: a page is in memory as a whole, and a pickup is as much work as its takes."""
SERVED = {
    "csv": "text/csv",
    "jsonl": "application/x-ndjson",
    "xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
    "parquet": "application/vnd.apache.parquet",
}
"""Formats that the service writes, with the media type of each."""
COUNTED = ("csv", "jsonl")
"""Formats whose rows can be counted as they come."""
FILE_BEGINS_WITHIN_S = 3600.0
"""A spreadsheet is sent when it is complete: a hundred thousand rows take minutes."""
PIECE_BYTES = 256 * 1024
ROWS = "Coilbench-Rows"

Question = Sequence[tuple[str, str]]


class ServedTable(Table):
    """A table as asked of the service.

    Attributes
    ----------
    per, columns : as of any table
    rows : all of them, read when first asked for
    """

    def __init__(self, transport: Transport, per: str, question: Question) -> None:
        """Ask for the first page.

        Parameters
        ----------
        transport : to the service
        per : what a row is
        question : parameters of the address, without format and page
        """
        limit = ROWS_OF_PAGE[per]
        self._keep("_transport", transport)
        self._keep("_question", tuple(question))
        self._keep("_pages", transport.pages(PATH, [*question, ("format", "json"), ("limit", limit)]))
        self._keep("_limit", limit)
        self._keep("_first", next(self._pages))
        self._keep("_rows", None)
        self._keep("per", per)
        self._keep("columns", columns_of(self._first.get("columns") or []))

    _transport: Transport
    _question: Question
    _pages: Iterator[dict[str, Any]]
    _limit: str
    _first: dict[str, Any]
    _rows: tuple[Row, ...] | None
    _left_out: tuple[Row, ...]

    @property
    def rows(self) -> tuple[Row, ...]:
        """All rows."""
        return self._all()[0]

    @property
    def read(self) -> bool:
        """Whether all rows are in memory already."""
        return self._rows is not None

    @property
    def left_out(self) -> tuple[Row, ...]:
        """What is in none of the means, read with all rows."""
        return self._all()[1]

    def __iter__(self) -> Iterator[Row]:
        """The rows, of which only a page is kept unless all were read before."""
        if self._rows is not None:
            yield from self._rows
            return
        for page in self._every_page():
            yield from page["items"]

    def save(self, path: str | Path) -> Path:
        """Write the table; the extension picks the format: .csv, .xlsx, .json, .jsonl or .parquet.

        The service writes it, with charts, conditions and definitions in a spreadsheet; it streams to the disk.

        Parameters
        ----------
        path : where to; an existing file is replaced once the new one is complete

        Raises
        ------
        UnknownFormat : another extension
        NotSaved : can't be written there
        ServiceFault : Parquet, from a service that was installed without it
        NotReachable : the connection was lost again and again
        """
        self.fetch(Path(path))
        return Path(path)

    def fetch(self, path: Path, format: str | None = None) -> int:
        """Write the table as `save` does, and say how many rows it has.

        Parameters
        ----------
        path : where to
        format : json, or one of `SERVED`; None goes by the extension
        """
        if format is None:
            writer_for(path)
            format = path.suffix.lower()[1:]
        counted: list[int] = []

        def write(partial: Path) -> None:
            with partial.open("wb") as file:
                counted.append(self.write(file, format))

        write_whole(path, write)
        return counted[-1]

    def write(self, file: BinaryIO, format: str) -> int:
        """Write the table to an open file, and say how many rows it has.

        Parameters
        ----------
        file : to write; where it can be wound back, a lost connection is tried again
        format : json, or one of `SERVED`
        """
        return self._write_json(file) if format == "json" else self._download(file, format)

    def _keep(self, name: str, value: Any) -> None:
        object.__setattr__(self, name, value)

    def _every_page(self) -> Iterator[dict[str, Any]]:
        """The first page as it was read, then those after it, asked for anew."""
        yield self._first
        if self._first.get("next"):
            further = [("format", "json"), ("limit", self._limit), ("cursor", str(self._first["next"]))]
            yield from self._transport.pages(PATH, [*self._question, *further])

    def _all(self) -> tuple[tuple[Row, ...], tuple[Row, ...]]:
        if self._rows is None:
            rows: list[Row] = []
            left_out: list[Row] = []
            for page in self._every_page():
                rows += page["items"]
                left_out += page.get("left_out") or []
            self._keep("_left_out", tuple(left_out))
            self._keep("_rows", tuple(rows))
        return self._rows or (), self._left_out

    def _write_json(self, file: BinaryIO) -> int:
        """One JSON document, page by page."""
        columns = [{"key": column.key, "title": column.title, "unit": column.unit} for column in self.columns]
        head = json.dumps({"per": self.per, "columns": columns}, ensure_ascii=False)
        file.write(f'{head[:-1]}, "items": ['.encode())
        rows = 0
        for row in self:
            file.write(((",\n " if rows else "\n ") + json.dumps(dict(row), ensure_ascii=False)).encode())
            rows += 1
        file.write(b"\n]}\n")
        return rows

    def _download(self, file: BinaryIO, format: str) -> int:
        """The file as the service writes it, in pieces; again from its beginning where the connection was lost."""
        retry = 0
        while True:
            answer = self._transport.request(
                "GET",
                PATH,
                query=[*self._question, ("format", format)],
                headers={"Accept": SERVED[format]},
                timeout_s=FILE_BEGINS_WITHIN_S,
                stream=True,
            )
            with answer:
                kind = answer.headers.get("Content-Type", "no content type").partition(";")[0]
                if kind != SERVED[format]:
                    raise UnreadableAnswer(self._transport.url, f"something else than {format} ({kind})")
                counts = _counter(format)
                try:
                    for piece in answer.iter_content(PIECE_BYTES):
                        file.write(piece)
                        counts(piece)
                except requests.exceptions.RequestException as cause:
                    wait_s = self._transport.patience.wait_s(retry) if file.seekable() else None
                    if wait_s is None:
                        why = "the connection was lost while the table came"
                        raise NotReachable(self._transport.url, why) from cause
                else:
                    return self._rows_of(answer, counts(b"") if format in COUNTED else None)
            self._transport.patience.pause(wait_s)
            retry += 1
            file.seek(0)
            file.truncate()

    def _rows_of(self, answer: requests.Response, counted: int | None) -> int:
        said = answer.headers.get(ROWS)
        if said is None:
            return len(self) if counted is None else counted
        try:
            return int(said)
        except ValueError as cause:
            raise UnreadableAnswer(self._transport.url, f"{said!r} for a number of rows") from cause


def _counter(format: str) -> Callable[[bytes], int]:
    """Counts rows as pieces go by: line ends, of CSV those outside of quotes and without the head."""
    ends, quotes = (-1 if format == "csv" else 0), 0

    def count(piece: bytes) -> int:
        nonlocal ends, quotes
        if format != "csv":
            ends += piece.count(b"\n")
            return ends
        for place, part in enumerate(piece.split(b'"')):
            quotes += place > 0
            if quotes % 2 == 0:
                ends += part.count(b"\n")
        return ends

    return count
