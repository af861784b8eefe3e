"""Exit statuses, and the exception that carries a word of farewell."""

from __future__ import annotations

MEASURED = 0
FAILED = 1
BAD_USAGE = 2
INTERRUPTED = 130


class Interrupted(Exception):
    """Stopped with Ctrl-C; the message says how to go on."""
