"""The database's clock as everybody reads it, moved for the length of a block."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta
from unittest.mock import patch

from sqlalchemy import Connection

from coilbench_worker.store import clock


@contextmanager
def moved_clock(seconds: float) -> Iterator[None]:
    """Within the block the clock is so far ahead of where it was, or behind."""
    before = clock.now

    def moved(connection: Connection) -> datetime:
        return before(connection) + timedelta(seconds=seconds)

    with patch.object(clock, "now", moved):
        yield
