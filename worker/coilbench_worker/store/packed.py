"""JSON in the database in a third of its space: for what is read one row at a time and never searched."""

from __future__ import annotations

import json
import zlib
from typing import Any

from sqlalchemy import LargeBinary
from sqlalchemy.engine import Dialect
from sqlalchemy.types import TypeDecorator


class PackedJson(TypeDecorator[Any]):
    """JSON values as deflated text (RFC 1950); None is NULL.

    Raises
    ------
    ValueError : NaN or an infinity is given
    """

    impl = LargeBinary
    cache_ok = True

    def process_bind_param(self, value: Any | None, dialect: Dialect) -> bytes | None:
        """Python to database."""
        if value is None:
            return None
        text = json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
        return zlib.compress(text.encode())

    def process_result_value(self, value: bytes | None, dialect: Dialect) -> Any | None:
        """Database to Python."""
        return None if value is None else json.loads(zlib.decompress(value))
