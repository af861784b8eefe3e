"""Data sheets are made, changed, deleted and imported, each in one transaction that holds the sheets of its kind.

What takes inherit changes with it at once; settings of a measurement do so too, and jobs are published after the
commit.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from typing import Any

from flask import Request
from sqlalchemy import Connection

from coilbench_service import idempotency, session_settings
from coilbench_service import problem_kinds as kinds
from coilbench_service.bench import Bench
from coilbench_service.idempotency import Made, once
from coilbench_service.problems import FieldError, Problem
from coilbench_service.sheet import SheetFaulty, checked, key_checked, merged
from coilbench_service.sheet_csv import CsvFaulty, Table
from coilbench_service.sheet_kind import SESSION, SheetKind
from coilbench_service.sheet_view import sheet_view
from coilbench_worker.store.sheets import SheetRecord

PROBLEMS = (kinds.KEY_IN_FLIGHT, kinds.KEY_REUSED, kinds.NOT_JSON, kinds.BROKEN_JSON, kinds.CSV_FAULTY, kinds.TOO_LARGE)

Require = Callable[[dict[str, Any], SheetRecord], None]


def add(
    bench: Bench, call: Request, kind: SheetKind, document: Mapping[str, Any], idempotency_key: str | None
) -> tuple[int, dict[str, Any]]:
    """Make a sheet; takes that name its key inherit from it from then on.

    Returns
    -------
    tuple : status and the sheet as JSON values

    Raises
    ------
    Problem : invalid-request, pickup-exists or session-exists, the problems of an Idempotency-Key
    """
    idempotency_key = idempotency.checked_key(idempotency_key)
    key, sheet = _new(kind, document)
    published: list[str] = []

    def act(connection: Connection) -> Made:
        kind.store.hold(connection)
        record = kind.store.add(connection, key, sheet)
        if record is None:
            detail = f"There is a sheet of a {kind.name} {key!r} already."
            raise Problem(kind.exists, detail, errors=[FieldError("key", f"belongs to another {kind.name}")])
        published[:] = _follow(connection, kind, key, None, sheet)
        return Made(sheet_view(connection, kind, record), {f"{kind.name}_id": record.id})

    with bench.keys.hold(idempotency_key):
        fingerprint = idempotency.fingerprint(call, dict(document))
        status, shown = once(bench.database, idempotency_key, fingerprint, act)
    _publish(bench, published)
    return status, shown


def change(bench: Bench, kind: SheetKind, key: str, patch: Mapping[str, Any], require: Require) -> dict[str, Any]:
    """Apply a merge patch to a sheet; the sheet as JSON values.

    Parameters
    ----------
    require : is shown the sheet as it is, locked, and raises where it must not be changed in this state

    Raises
    ------
    Problem : pickup-unknown or session-unknown, invalid-request
    """
    with bench.database.write() as connection:
        kind.store.hold(connection)
        record = _locked(connection, kind, key)
        require(sheet_view(connection, kind, record), record)
        try:
            sheet = merged(kind.model, record.sheet, patch)
        except SheetFaulty as error:
            raise _invalid(error) from error
        made = _put(connection, kind, record, sheet)
        shown = sheet_view(connection, kind, _locked(connection, kind, key))
    _publish(bench, made)
    return shown


def remove(bench: Bench, kind: SheetKind, key: str, require: Require) -> None:
    """Delete a sheet; the takes that name its key stay, and inherit nothing from it.

    Parameters
    ----------
    require : as in `change`

    Raises
    ------
    Problem : pickup-unknown or session-unknown
    """
    with bench.database.write() as connection:
        kind.store.hold(connection)
        record = _locked(connection, kind, key)
        require(sheet_view(connection, kind, record), record)
        kind.store.remove(connection, key)
        made = _follow(connection, kind, key, record.sheet, None)
    _publish(bench, made)


def bring_in(
    bench: Bench, call: Request, kind: SheetKind, text: bytes, idempotency_key: str | None
) -> tuple[int, dict[str, Any]]:
    """Import sheets from CSV: all rows, or none.

    A column states its field in every row, and an empty cell that nothing is said; what has no column stays.

    Returns
    -------
    tuple : 200, and how many sheets were made, changed and left as they were

    Raises
    ------
    Problem : csv-faulty, the problems of an Idempotency-Key
    """
    idempotency_key = idempotency.checked_key(idempotency_key)
    try:
        table = Table.read(text, kind.model)
    except CsvFaulty as error:
        raise _faulty(error) from error
    published: list[str] = []

    def act(connection: Connection) -> Made:
        kind.store.hold(connection)
        published[:] = []
        known = kind.store.by_key(connection, [row.key for row in table.rows])
        counts = dict.fromkeys(("made", "changed", "unchanged"), 0)
        try:
            sheets = table.sheets({key: record.sheet for key, record in known.items()})
        except CsvFaulty as error:
            raise _faulty(error) from error
        for key, sheet in sheets.items():
            if key not in known:
                kind.store.add(connection, key, sheet)
                published.extend(_follow(connection, kind, key, None, sheet))
                counts["made"] += 1
            elif _same(known[key].sheet, sheet):
                counts["unchanged"] += 1
            else:
                published.extend(_put(connection, kind, known[key], sheet))
                counts["changed"] += 1
        return Made({**counts, "measured_again": len(published)}, status=200)

    with bench.keys.hold(idempotency_key):
        fingerprint = idempotency.fingerprint(call, text.decode("utf-8", "replace"))
        status, counts = once(bench.database, idempotency_key, fingerprint, act)
    _publish(bench, published)
    return status, counts


def existing(connection: Connection, kind: SheetKind, key: str) -> SheetRecord:
    """The sheet.

    Raises
    ------
    Problem : pickup-unknown or session-unknown
    """
    record = kind.store.get(connection, key)
    if record is None:
        raise kind.no_such(key)
    return record


def _new(kind: SheetKind, document: Mapping[str, Any]) -> tuple[str, dict[str, Any]]:
    faults: list[FieldError] = []
    key, sheet = "", {}
    try:
        key = key_checked(document.get("key"))
    except SheetFaulty as error:
        faults += error.faults
    try:
        sheet = checked(kind.model, {name: value for name, value in document.items() if name != "key"})
    except SheetFaulty as error:
        faults += error.faults
    if faults:
        raise _invalid(SheetFaulty(faults))
    return key, sheet


def _locked(connection: Connection, kind: SheetKind, key: str) -> SheetRecord:
    record = kind.store.lock(connection, key)
    if record is None:
        raise kind.no_such(key)
    return record


def _put(connection: Connection, kind: SheetKind, record: SheetRecord, sheet: Mapping[str, Any]) -> list[str]:
    if _same(record.sheet, sheet):
        return []
    kind.store.change(connection, record.key, sheet)
    return _follow(connection, kind, record.key, record.sheet, sheet)


def _follow(
    connection: Connection,
    kind: SheetKind,
    key: str,
    before: Mapping[str, Any] | None,
    after: Mapping[str, Any] | None,
) -> list[str]:
    """Of pickups nothing is inherited that a measurement is made with."""
    return session_settings.ask_again(connection, key, before, after) if kind is SESSION else []


def _publish(bench: Bench, made: list[str]) -> None:
    for job_id in made:
        bench.dispatcher.publish(job_id)


def _same(one: Mapping[str, Any], other: Mapping[str, Any]) -> bool:
    """Whether two sheets say the same; to Python 1, 1.0 and true are equal."""
    return json.dumps(one, sort_keys=True) == json.dumps(other, sort_keys=True)


def _invalid(error: SheetFaulty) -> Problem:
    detail = "; ".join(f"{fault.field}: {fault.message}" for fault in error.faults[:3])
    return Problem(kinds.INVALID_REQUEST, detail, errors=error.faults)


def _faulty(error: CsvFaulty) -> Problem:
    detail = "; ".join(f"{fault.field}: {fault.message}" for fault in error.faults[:3])
    return Problem(kinds.CSV_FAULTY, detail, errors=error.faults)
