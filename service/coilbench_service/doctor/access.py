"""Who may ask: whether keys are needed, and whether there are any that open."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta

from sqlalchemy import Connection

from coilbench_service.admission import keys_needed
from coilbench_service.doctor.finding import Finding, ok
from coilbench_worker.configuration import Configuration
from coilbench_worker.store import keys
from coilbench_worker.store.instants import now
from coilbench_worker.store.keys import KeyRecord

SOON = timedelta(days=14)
PAGE = 500


def findings(connection: Connection, configuration: Configuration) -> Iterator[Finding]:
    """Reads only."""
    instant = now()
    good = [key for key in _every(connection) if key.good(instant)]
    if not keys_needed(configuration):
        yield ok("keys", f"not needed on {configuration.listen}, which only this machine reaches; {len(good)} there")
        return
    make = "make one: coilbench-server key make NAME"
    if not good:
        what = f"needed on {configuration.listen}, and there is none that opens anything"
        yield Finding("BROKEN", "keys", what, "every request is turned away", make)
        return
    ending = [key for key in good if key.expires is not None and key.expires <= instant + SOON]
    yield ok("keys", f"needed on {configuration.listen}; {len(good)} open it")
    for key in ending:
        yield Finding(
            "caution",
            "keys",
            f"{key.id} ({key.name:.60}) ends on {key.expires:%Y-%m-%d %H:%M} UTC",
            "who uses it is turned away from then on",
            f"{make}, and hand it over before",
        )


def _every(connection: Connection) -> Iterator[KeyRecord]:
    cursor: str | None = None
    while True:
        page = keys.page(connection, PAGE, cursor)
        yield from page.items
        if page.next is None:
            return
        cursor = page.next
