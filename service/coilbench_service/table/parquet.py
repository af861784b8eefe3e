"""A table as Parquet, row group by row group: typed columns, title, unit and meaning in the metadata of each field.

pyarrow is an extra: without it there is no Parquet, and everything else.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from importlib import import_module
from importlib.util import find_spec
from typing import IO, Any

from coilbench_service.table import reasons
from coilbench_service.table.columns import Column

MEDIA_TYPE = "application/vnd.apache.parquet"
EXTRA = "parquet"
"""Name of the extra that brings pyarrow."""
CELLS_OF_GROUP, LEAST_ROWS_OF_GROUP = 200_000, 500
"""In memory together: readers like groups large, memory likes them small."""
_TYPES = {"text": "string", "number": "float64", "whole": "int64", "truth": "bool_"}


class NoParquet(Exception):
    """pyarrow is not installed."""


def write_parquet(
    file: IO[bytes], columns: Sequence[Column], rows: Iterable[Mapping[str, Any]], about: Mapping[str, str]
) -> int:
    """Write the table to a file; the number of its rows.

    Parameters
    ----------
    about : metadata of the whole table

    Raises
    ------
    NoParquet : pyarrow is not installed
    """
    arrow, parquet = _libraries()
    schema = arrow.schema([_field(arrow, column) for column in columns], metadata=dict(about))
    size = max(LEAST_ROWS_OF_GROUP, CELLS_OF_GROUP // len(columns))
    written = 0
    held: list[list[Any]] = [[] for _ in columns]
    with parquet.ParquetWriter(file, schema, compression="zstd") as writer:

        def write_group() -> None:
            arrays = [arrow.array(cells, field.type) for cells, field in zip(held, schema, strict=True)]
            writer.write_table(arrow.Table.from_arrays(arrays, schema=schema), row_group_size=size)
            for cells in held:
                cells.clear()

        for written, row in enumerate(rows, start=1):
            for cells, column in zip(held, columns, strict=True):
                cells.append(_cell(row.get(column.key), column))
            if written % size == 0:
                write_group()
        if held[0]:
            write_group()
    return written


def available() -> bool:
    """Whether Parquet can be written here."""
    return find_spec("pyarrow") is not None


def _libraries() -> tuple[Any, Any]:
    try:
        return import_module("pyarrow"), import_module("pyarrow.parquet")
    except ImportError as error:
        raise NoParquet("pyarrow is not installed") from error


def _field(arrow: Any, column: Column) -> Any:
    said = {"title": column.title, "unit": column.unit, "definition": column.definition, "source": column.source}
    return arrow.field(
        column.key, getattr(arrow, _TYPES[column.kind])(), metadata={name: text for name, text in said.items() if text}
    )


def _cell(value: Any, column: Column) -> Any:
    if value is None:
        return None
    if column.kind == "text":
        return reasons.text(value) if isinstance(value, Mapping) else str(value)
    return float(value) if column.kind == "number" else value
