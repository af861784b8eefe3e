"""Groups of pickups by a field of their sheets, and fields held against what was measured: from request to answer.

Each pickup counts once. Levels stand on the reference of the first usable take; a pickup whose levels do not hang
together with it goes without them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import Any

from coilbench_service import problem_kinds as kinds
from coilbench_service.bench import Bench
from coilbench_service.comparing import quantity_view
from coilbench_service.evidence import Evidence, every_pickup, gather
from coilbench_service.problems import FieldError, Problem
from coilbench_worker.compare.columns import column
from coilbench_worker.compare.fit import fits
from coilbench_worker.compare.groups import groups
from coilbench_worker.compare.pickup_value import pickup_value
from coilbench_worker.store import pickups

NO_FIELDS = ("name", "notes", "extra")
"""Of a sheet: what tells one pickup from all others, or holds fields of its own."""
LEVEL = "rms_dbfs"


def grouped(
    bench: Bench,
    *,
    field: str,
    quantities: Sequence[str],
    among: Sequence[str] | None,
    session: str | None,
    confidence: float,
) -> dict[str, Any]:
    """Compare the groups that a field makes of pickups.

    Raises
    ------
    Problem : field-unknown, subject-unknown, nothing-to-compare, too-many-takes
    """
    evidence, sheets, members, cautions = _collected(bench, quantities, among, session)
    field_of = {key: sheet[field] for key, sheet in sheets.items() if sheet.get(field) is not None}
    _require_field(field, field_of, sheets)
    found = groups(members, field_of, field=field, quantities=quantities, sheets=sheets, confidence=confidence)
    return {
        "field": field,
        "confidence": confidence,
        "quantities": [quantity_view(key) for key in quantities],
        "groups": [asdict(one) for one in found.groups],
        "results": [{**asdict(one), "unit": column(one.quantity).unit_of_difference} for one in found.pairs],
        "confounded": [asdict(one) for one in found.confounded],
        "left_out": [asdict(one) for one in evidence.left_out],
        "cautions": [*found.cautions, *cautions, *_without(field, members, field_of)],
    }


def fitted(
    bench: Bench,
    *,
    fields: Sequence[str],
    quantities: Sequence[str],
    among: Sequence[str] | None,
    session: str | None,
    confidence: float,
) -> dict[str, Any]:
    """Hold numeric fields of sheets against what was measured.

    Raises
    ------
    Problem : field-unknown, subject-unknown, nothing-to-compare, too-many-takes
    """
    evidence, sheets, members, cautions = _collected(bench, quantities, among, session)
    values: dict[str, dict[str, float]] = {}
    for field in fields:
        values[field] = {
            key: float(sheet[field])
            for key, sheet in sheets.items()
            if key in members and isinstance(sheet.get(field), int | float) and not isinstance(sheet[field], bool)
        }
        _require_field(field, values[field], sheets)
        cautions += _without(field, members, values[field])
    return {
        "confidence": confidence,
        "quantities": [quantity_view(key) for key in quantities],
        "results": [asdict(one) for one in fits(members, values, quantities=quantities, confidence=confidence)],
        "left_out": [asdict(one) for one in evidence.left_out],
        "cautions": cautions,
    }


Sheets = dict[str, dict[str, Any]]
Members = dict[str, dict[str, float]]


def _collected(
    bench: Bench, quantities: Sequence[str], among: Sequence[str] | None, session: str | None
) -> tuple[Evidence, Sheets, Members, list[str]]:
    """The evidence, sheets with their own fields laid flat, the values of each pickup, and what to bear in mind."""
    with bench.database.read() as connection:
        keys = list(among) if among is not None else every_pickup(connection, session)
        evidence = gather(connection, keys, session)
        records = pickups.by_key(connection, keys)
    there = [party for party in evidence.parties if party.takes]
    if not there:
        faults = [FieldError(f"takes.{one.take}", one.reason) for one in evidence.left_out]
        raise Problem(kinds.NOTHING_TO_COMPARE, "There is no usable take of any of the pickups.", errors=faults)
    reference = there[0].takes[0]
    members: Members = {}
    cautions: list[str] = []
    for party in there:
        subject = evidence.subject(party, reference)
        ties = {key: evidence.ties(there[0].key, party.key, key) for key in quantities}
        known = {key: pickup_value(subject, key) for key in quantities if not ties[key].withheld}
        members[party.key] = {key: value for key, value in known.items() if value is not None}
        loose = next((tie.withheld for tie in ties.values() if tie.withheld), None)
        if loose:
            cautions.append(f"{party.key} goes without its levels: {loose}.")
    sheets = {key: _flat(records[key].sheet) for key in members if key in records}
    return evidence, sheets, members, cautions


def _flat(sheet: Mapping[str, Any]) -> dict[str, Any]:
    """A sheet with its own fields beside the known ones; only what can be one value of a group."""
    own = {name: value for name, value in (sheet.get("extra") or {}).items() if isinstance(value, str | int | float)}
    return {**own, **{name: value for name, value in sheet.items() if name not in NO_FIELDS}}


def _require_field(field: str, found: Mapping[str, Any], sheets: Sheets) -> None:
    if found:
        return
    known = sorted({name for sheet in sheets.values() for name in sheet})
    detail = f"No sheet of these pickups says {field!r:.80}" + (f"; they say {', '.join(known)}." if known else ".")
    raise Problem(kinds.FIELD_UNKNOWN, detail, errors=[FieldError("field", "is on no sheet")])


def _without(field: str, members: Members, found: Mapping[str, Any]) -> list[str]:
    missing = sorted(set(members) - set(found))
    return [f"Without {field} on a sheet, and left out: {', '.join(missing)}."] if missing else []
