"""Identifiers that sort by the time they were made."""

from __future__ import annotations

import secrets
import threading
import time
import uuid

_lock = threading.Lock()
_last = 0


def new_id() -> str:
    """A fresh UUID of version 7; in one process each sorts after the last.

    Source: RFC 9562, 5.7 and 6.2 method 1 (a counter in rand_a).
    """
    global _last
    with _lock:
        # 48 bits of milliseconds, then 12 bits that count within the millisecond.
        _last = max(_last + 1, (time.time_ns() // 1_000_000) << 12)
        instant, count = _last >> 12, _last & 0xFFF
    value = instant << 80 | 0x7 << 76 | count << 64 | 0b10 << 62 | secrets.randbits(62)
    return str(uuid.UUID(int=value))
