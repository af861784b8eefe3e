"""SQLite's write-ahead log, switched on once for a file.

Switching asks nobody to wait: two processes that open a new file at the same instant may meet, and one is told at once
that the database is locked, whatever its busy timeout.
"""

from __future__ import annotations

import sqlite3
import time

PATIENCE_S = 10.0
PAUSE_S = 0.01


def log_ahead(connection: sqlite3.Connection, patience_s: float = PATIENCE_S) -> None:
    """Have the file of a connection in WAL mode; it stays so for all others.

    Raises
    ------
    sqlite3.OperationalError : others kept it locked for `patience_s`, or it can't be written
    """
    deadline = time.monotonic() + patience_s
    while True:
        try:
            connection.execute("PRAGMA journal_mode = WAL")
            return
        except sqlite3.OperationalError as error:
            if "locked" not in str(error) or time.monotonic() > deadline:
                raise
        time.sleep(PAUSE_S)
