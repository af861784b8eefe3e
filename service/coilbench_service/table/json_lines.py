"""A table as JSON lines: one object a row, every column in it, written as rows come."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

from coilbench_service.table.columns import Column

MEDIA_TYPE = "application/x-ndjson"
_PIECE_CHARACTERS = 32 * 1024


def json_pieces(columns: Sequence[Column], rows: Iterable[Mapping[str, Any]]) -> Iterator[bytes]:
    """The table in pieces of some 32 KiB; no NaN and no infinity, null where nothing is defined."""
    keys = [column.key for column in columns]
    lines: list[str] = []
    held = 0
    for row in rows:
        line = json.dumps({key: row.get(key) for key in keys}, ensure_ascii=False, allow_nan=False)
        lines.append(line + "\n")
        held += len(line)
        if held >= _PIECE_CHARACTERS:
            yield "".join(lines).encode()
            lines, held = [], 0
    yield "".join(lines).encode()
