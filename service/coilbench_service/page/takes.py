"""The first page: recordings are dropped here, and listed with their state, checks and what to do."""

from __future__ import annotations

from typing import Any
from urllib.parse import urlencode

from flask import Blueprint, Response
from sqlalchemy import Connection

from coilbench_service.bench import Bench
from coilbench_service.calibrations import Calibrations
from coilbench_service.inheritance import Inheritance
from coilbench_service.measurement_view import measurement_view
from coilbench_service.page.layout import show
from coilbench_service.page.question import asked
from coilbench_service.selection import TakeQuery
from coilbench_service.take_view import take_view
from coilbench_worker.measure.checks import CHECKS
from coilbench_worker.store import measurements, takes
from coilbench_worker.store.states import TAKE_STATES
from coilbench_worker.store.takes import TakeFilter, TakeRecord

ON_A_PAGE = 40
SOUND_SUFFIXES = (".wav", ".wave", ".rf64", ".flac", ".aif", ".aiff")
"""Of a folder, what is taken for a recording; the header decides what it is."""
KEYS_OFFERED = 300
FILTERS = ("state", "session", "pickup", "chain", "sha256", "since", "id")


def add(pages: Blueprint, bench: Bench) -> None:
    """Give the blueprint the page at `/`."""

    @pages.get("/", endpoint="takes")
    def show_takes() -> Response:
        query = asked(TakeQuery, limit=ON_A_PAGE)
        with bench.database.read() as connection:
            page = takes.page(connection, query.filter(), query.limit, query.cursor, newest_first=True)
            rows = rows_of(connection, page.items)
            counts = takes.counts(connection)
            keys = {name: takes.keys_in_use(connection, name, KEYS_OFFERED) for name in ("session", "pickup")}
        chosen = {name: value for name, value in query.model_dump(mode="json").items() if name in FILTERS and value}
        return show(
            "takes.html",
            here="page.takes",
            rows=rows,
            counts=counts,
            total=sum(counts.values()),
            keys=keys,
            states=TAKE_STATES,
            chosen=chosen,
            older=None if page.next is None else f"/?{urlencode({**chosen, 'cursor': page.next}, doseq=True)}",
            later=query.cursor is not None,
            table=urlencode({"per": "strum", **chosen}, doseq=True),
            newest=f"/?{urlencode(chosen, doseq=True)}" if chosen else "/",
            suffixes=SOUND_SUFFIXES,
            max_bytes=bench.configuration.max_upload_bytes,
            kinds={kind.code: kind for kind in CHECKS},
        )


def rows_of(connection: Connection, found: list[TakeRecord]) -> list[dict[str, Any]]:
    """Takes with their measurements as the API shows them, in the order given.

    Returns
    -------
    list : of `take`, and `measurement` (None while there is none)
    """
    if not found:
        return []
    inheritance = Inheritance(connection, [take.about for take in found])
    calibrations = Calibrations(connection)
    chosen = TakeFilter(id=tuple(take.id for take in found))
    measured = {take.id: record for take, record in measurements.each_with_take(connection, chosen)}
    rows = []
    for take in found:
        described = inheritance.of(take.about)
        record = measured.get(take.id)
        shown = None
        if record is not None and take.problem is None:
            shown = measurement_view(take, record, described.about, calibrations.of(described.about))
        rows.append({"take": take_view(take, described), "measurement": shown})
    return rows
