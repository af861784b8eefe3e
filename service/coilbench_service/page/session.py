"""The page of one session: its conditions, its pickups and takes, and what is handed over: report and tables."""

from __future__ import annotations

from urllib.parse import urlencode

from flask import Blueprint, Response

from coilbench_service.bench import Bench
from coilbench_service.page import sheet_fields
from coilbench_service.page.layout import show
from coilbench_service.page.sheets import found, newest
from coilbench_service.report.baseline import chosen_baseline
from coilbench_service.sheet_kind import SESSION
from coilbench_service.table import parquet
from coilbench_worker.measure.checks import CHECKS
from coilbench_worker.store import takes
from coilbench_worker.store.states import MEASURED
from coilbench_worker.store.takes import TakeFilter

TABLES = (
    ("pickup", "Pickups: means of takes, with intervals"),
    ("take", "Takes: means of strums, with spread"),
    ("strum", "Every strum"),
)
FORMS = (("xlsx", "Spreadsheet (XLSX)"), ("csv", "CSV"), ("parquet", "Parquet"))


def add(pages: Blueprint, bench: Bench) -> None:
    """Give the blueprint the page at /sessions/{key}."""

    @pages.get("/sessions/<key>", endpoint="session")
    def show_session(key: str) -> Response:
        with bench.database.read() as connection:
            sheet, counted = found(connection, SESSION, key)
            rows = newest(connection, SESSION, key)
            named = takes.pickups_of(connection, TakeFilter(session=key))
            measured = takes.pickups_of(connection, TakeFilter(session=key, state=(MEASURED,)))
        known = {name: number for name, number in measured.items() if name is not None}
        baseline = chosen_baseline(sheet, known)
        return show(
            "session.html",
            here="page.sessions",
            key=key,
            path=SESSION.path(key),
            sheet=sheet,
            counted=counted,
            rows=rows,
            kinds={kind.code: kind for kind in CHECKS},
            groups=sheet_fields.GROUPS[SESSION.name],
            own=list(sheet_fields.own_fields(SESSION, sheet or {})),
            pickups=[(name, named[name], measured.get(name, 0)) for name in sorted(filter(None, named))],
            nameless=named.get(None, 0),
            compare=None
            if baseline is None or len(known) < 2
            else f"/compare?{urlencode({'baseline': baseline.key, 'session': key})}",
            chosen=urlencode({"session": key}),
            tables=TABLES,
            forms=[form for form in FORMS if form[0] != "parquet" or parquet.available()],
        )
