"""The takes: how many wait and how long, what failed lately, what nobody reports of."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta

from sqlalchemy import Connection

from coilbench_service.doctor.finding import Finding, ok
from coilbench_service.readiness import NODE_SILENT_S
from coilbench_worker.configuration import Configuration
from coilbench_worker.store import nodes, queue, takes
from coilbench_worker.store.states import WAITING

LATELY = timedelta(days=1)
NEARLY_FULL = 0.8
"""Part of COILBENCH_MAX_WAITING_TAKES; common practice, no source."""
MOST_REASONS = 3


def findings(connection: Connection, configuration: Configuration) -> Iterator[Finding]:
    """Reads only."""
    present = bool(nodes.present(connection, NODE_SILENT_S))
    yield _waiting(connection, configuration.max_waiting_takes, present)
    yield from _failed(connection)
    yield from _leases(connection, configuration.lease_s, present)


def _waiting(connection: Connection, limit: int, present: bool) -> Finding:
    waiting = takes.counts(connection)[WAITING]
    oldest_s = queue.oldest_waiting_s(connection)
    many = f"{waiting} takes wait, the oldest" if waiting > 1 else "one take waits,"
    what = f"{many} for {oldest_s:.0f} s" if waiting else "no take waits"
    more = "start more workers, or raise COILBENCH_WORKERS where processors are idle"
    if waiting >= limit:
        why = f"{limit} may wait (COILBENCH_MAX_WAITING_TAKES); new ones are refused until there is room"
        return Finding("BROKEN", "queue", what, why, more)
    if waiting >= NEARLY_FULL * limit:
        return Finding("caution", "queue", what, f"{limit} may wait; beyond that new ones are refused", more)
    if waiting and not present:
        start = "start coilbench-server up, or coilbench-server worker beside an api"
        return Finding("caution", "queue", what, "no worker is present, so nobody measures them", start)
    return ok("queue", what)


def _failed(connection: Connection) -> Iterator[Finding]:
    failed = queue.failed_lately(connection, LATELY)
    if not failed.number:
        yield ok("failures", "no take failed during the last day")
        return
    reasons = ", ".join(f"{name} {number} times" for name, number in failed.reasons[:MOST_REASONS])
    yield Finding(
        "BROKEN",
        "failures",
        f"{failed.number} takes failed during the last day: {reasons}",
        "failed means a fault of the service or of the machine, not of the recording; the recordings are kept",
        "read the problem of one (coilbench status), find its job in the worker's log, mend the cause, and have them "
        "measured again; then this line goes",
    )


def _leases(connection: Connection, lease_s: float, present: bool) -> Iterator[Finding]:
    number = queue.leases_run_out(connection, lease_s)
    if not number:
        return
    what = f"{number} takes are being measured by processes that stopped reporting"
    if present:
        why = "a worker that is well takes them back within seconds"
        yield Finding("BROKEN", "leases", what, why, "look at the log of the workers, and start them again")
    else:
        why = "no worker is present to take them up again"
        yield Finding("caution", "leases", what, why, "start a worker: it begins with them")
