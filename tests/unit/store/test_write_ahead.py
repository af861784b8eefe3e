"""Write-ahead logging is switched on while others hold the file, and once for all."""

from __future__ import annotations

import sqlite3
import threading
from pathlib import Path

import pytest

from coilbench_worker.store.write_ahead import log_ahead


def held(path: Path) -> sqlite3.Connection:
    """A connection in the middle of writing to a file that is not in WAL mode."""
    connection = sqlite3.connect(path, isolation_level=None, check_same_thread=False)
    connection.execute("CREATE TABLE kept (n INTEGER)")
    connection.execute("BEGIN EXCLUSIVE")
    return connection


def test_switching_waits_until_others_let_go(tmp_path: Path) -> None:
    path = tmp_path / "file.sqlite"
    other = held(path)
    mine = sqlite3.connect(path, isolation_level=None, timeout=0)
    letting_go = threading.Timer(0.2, lambda: other.execute("COMMIT"))
    letting_go.start()
    log_ahead(mine)
    letting_go.join()
    assert mine.execute("PRAGMA journal_mode").fetchone() == ("wal",)
    mine.close()
    other.close()


def test_file_that_stays_locked_is_an_error(tmp_path: Path) -> None:
    path = tmp_path / "file.sqlite"
    other = held(path)
    mine = sqlite3.connect(path, isolation_level=None, timeout=0)
    with pytest.raises(sqlite3.OperationalError, match="locked"):
        log_ahead(mine, patience_s=0.05)
    mine.close()
    other.close()


def test_file_that_is_so_already_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "file.sqlite"
    first = sqlite3.connect(path, isolation_level=None)
    log_ahead(first)
    first.execute("CREATE TABLE kept (n INTEGER)")
    first.execute("BEGIN IMMEDIATE")
    second = sqlite3.connect(path, isolation_level=None, timeout=0)
    log_ahead(second, patience_s=0.0)
    first.execute("COMMIT")
    first.close()
    second.close()
