"""Whether this host's clock agrees with the database's."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime

from coilbench_service.doctor.finding import Finding, ok
from coilbench_worker.store import clock, instants
from coilbench_worker.store.database import Database

TOLERATED_S = 2.0
"""Common practice, no source: clocks that follow a time server differ by milliseconds."""


def findings(database: Database) -> Iterator[Finding]:
    """Nothing where the database has no clock of its own (SQLite)."""
    if database.sqlite:
        return
    before = instants.now()
    with database.read() as connection:
        theirs = clock.now(connection)
    yield compared(before, theirs, instants.now())


def compared(before: datetime, theirs: datetime, after: datetime) -> Finding:
    """What the database's clock said between two looks at ours."""
    ahead_s = (before + (after - before) / 2 - theirs).total_seconds()
    if abs(ahead_s) <= TOLERATED_S + (after - before).total_seconds() / 2:
        return ok("clock", "this host and the database agree")
    return Finding(
        "caution",
        "clock",
        f"this host is {abs(ahead_s):.1f} s {'ahead of' if ahead_s > 0 else 'behind'} the database",
        "leases and reports go by the database's clock, so no take is lost by it; but lines of the log and the end of "
        "keys go by each host's own, and can't be held together",
        "let every host follow a time server (chrony, systemd-timesyncd), and run doctor on each",
    )
