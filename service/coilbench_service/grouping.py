"""Groups of pickups by a field of their sheets, and fields held against what was measured: from request to answer.

Each pickup counts once. Levels stand on the reference of the first usable take; a pickup whose levels do not hang
together with it goes without them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from coilbench_service import problem_kinds as kinds
from coilbench_service.bench import Bench
from coilbench_service.comparing import collected, quantity_view
from coilbench_service.evidence import Evidence, Party
from coilbench_service.problems import FieldError, Problem
from coilbench_worker.compare.columns import column
from coilbench_worker.compare.confounding import confounding
from coilbench_worker.compare.fit import Point, fits
from coilbench_worker.compare.groups import NO_SAMPLE, groups
from coilbench_worker.compare.observations import Subject
from coilbench_worker.compare.pickup_mean import PickupMean, pickup_mean
from coilbench_worker.compare.pickup_value import EVENNESS, pickup_value
from coilbench_worker.store import pickups

GROUPED = ("rms_dbfs", "crest_db", "attack_body_db", "evenness_db")
"""Quantities of groups unless others are asked for."""
FIELDS, FITTED = ("dcr_ohm", "inductance_h", "rated_output_mv"), ("rms_dbfs", "treble_db")
"""Numbers of the sheets, and the quantities they are held against, unless others are asked for."""
ACTIVE = "active"
NO_FIELDS = ("name", "notes", "extra")
"""Of a sheet: what tells one pickup from all others, or holds fields of its own."""


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
    found = _collection(bench, quantities, among, session)
    sheets, members = found.sheets, found.members
    field_of = {key: sheet[field] for key, sheet in sheets.items() if sheet.get(field) is not None}
    _require_any("field", [field], [field_of], sheets)
    split = groups(members, field_of, field=field, quantities=quantities, sheets=sheets, confidence=confidence)
    return {
        "field": field,
        "confidence": confidence,
        "quantities": [quantity_view(key) for key in quantities],
        "groups": [asdict(one) for one in split.groups],
        "results": [{**asdict(one), "unit": column(one.quantity).unit_of_difference} for one in split.pairs],
        "confounded": [asdict(one) for one in split.confounded],
        "left_out": [*map(asdict, found.evidence.left_out), *_without([field], members, [field_of])],
        "cautions": [*split.cautions, *found.cautions],
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
    found = _collection(bench, quantities, among, session)
    sheets, members = found.sheets, found.members
    means = _means(found, quantities, confidence)
    values = {field: _numbers(field, sheets) for field in fields}
    texts = [field for field in fields if not values[field] and any(field in sheet for sheet in sheets.values())]
    if texts:
        detail = f"{texts[0]} is no number on these sheets, but makes groups that can be compared."
        raise Problem(kinds.FIELD_UNKNOWN, detail, errors=[FieldError("fields", f"{texts[0]} is no number")])
    _require_any("fields", fields, list(values.values()), sheets)
    return {
        "confidence": confidence,
        "quantities": [quantity_view(key) for key in quantities],
        "results": [
            {**asdict(one), "points": [_point(point, means[one.quantity].get(point.pickup)) for point in one.points]}
            for one in fits(members, values, quantities=quantities, confidence=confidence)
        ],
        "left_out": [*map(asdict, found.evidence.left_out), *_without(fields, members, list(values.values()))],
        "cautions": [NO_SAMPLE, *_with_active(fields, members, sheets), *found.cautions],
    }


Sheets = dict[str, dict[str, Any]]
Members = dict[str, dict[str, float]]


@dataclass(frozen=True)
class _Collection:
    """Pickups that are asked about, each by its key.

    Parameters
    ----------
    evidence : that all rests on
    anchor : the pickup on whose full scale levels stand
    subjects : with their levels there
    sheets : with their own fields laid flat, of those that have one
    members : the value of each quantity that is known
    cautions : whose levels are not
    """

    evidence: Evidence
    anchor: str
    subjects: Mapping[str, Subject]
    sheets: Sheets
    members: Members
    cautions: Sequence[str]


def _collection(
    bench: Bench, quantities: Sequence[str], among: Sequence[str] | None, session: str | None
) -> _Collection:
    """Gather the pickups with what was measured of them."""
    evidence = collected(bench, among, session, field="among")
    parties = evidence.usable()
    anchor = _anchor(evidence, parties)
    subjects = {party.key: evidence.subject(party, anchor.takes[0]) for party in parties}
    members: Members = {}
    without: dict[str, list[str]] = {}
    for party in parties:
        ties = {key: evidence.ties(anchor.key, party.key, key) for key in quantities}
        known = {key: pickup_value(subjects[party.key], key) for key in quantities if not ties[key].withheld}
        members[party.key] = {key: value for key, value in known.items() if value is not None}
        loose = next((tie.withheld for tie in ties.values() if tie.withheld), None)
        if loose:
            without.setdefault(loose, []).append(party.key)
    cautions = [
        f"{', '.join(keys)} {'goes without its' if len(keys) == 1 else 'go without their'} levels: {reason}."
        for reason, keys in without.items()
    ]
    with bench.database.read() as connection:
        records = pickups.by_key(connection, list(members))
    sheets = {key: _flat(record.sheet) for key, record in records.items()}
    return _Collection(evidence, anchor.key, subjects, sheets, members, cautions)


def _anchor(evidence: Evidence, parties: Sequence[Party]) -> Party:
    """The pickup on whose full scale all levels stand: the one that most others hang together with, of equals the
    first. A stray take of one pickup must not cost all others their levels.
    """

    def hangs_together(one: Party) -> int:
        return sum(not evidence.ties(one.key, other.key, "rms_dbfs").withheld for other in parties)

    return max(parties, key=hangs_together)


def _means(found: _Collection, quantities: Sequence[str], confidence: float) -> dict[str, dict[str, PickupMean]]:
    """By quantity the mean of each pickup that has a value of it, with its interval; a scatter has none."""
    return {
        key: {
            pickup: pickup_mean(
                found.subjects[pickup].of(key), found.evidence.ties(found.anchor, pickup, key), confidence
            )
            for pickup, values in found.members.items()
            if key in values and key != EVENNESS
        }
        for key in quantities
    }


def _point(point: Point, mean: PickupMean | None) -> dict[str, Any]:
    """A pickup of a fit as an answer shows it."""
    return {**asdict(point), "low": mean and mean.low, "high": mean and mean.high}


def _flat(sheet: Mapping[str, Any]) -> dict[str, Any]:
    """A sheet with its own fields beside the known ones; only what can be one value of a group."""
    own = {name: value for name, value in (sheet.get("extra") or {}).items() if isinstance(value, str | int | float)}
    return {**own, **{name: value for name, value in sheet.items() if name not in NO_FIELDS}}


def _numbers(field: str, sheets: Sheets) -> dict[str, float]:
    """The field of each pickup whose sheet gives it as a number."""
    found = {key: sheet.get(field) for key, sheet in sheets.items()}
    return {
        key: float(value)
        for key, value in found.items()
        if isinstance(value, int | float) and not isinstance(value, bool)
    }


def _with_active(fields: Sequence[str], members: Members, sheets: Sheets) -> list[str]:
    """Fields that go with being battery-powered, which alone makes a pickup louder."""
    kinds_of = [
        (value, [key for key in members if sheets.get(key, {}).get(ACTIVE) is value]) for value in (False, True)
    ]
    if not all(keys for _, keys in kinds_of):
        return []
    chosen = {key: {name: sheet[name] for name in fields if name in sheet} for key, sheet in sheets.items()}
    return [one.sentence for one in confounding([(value, tuple(keys)) for value, keys in kinds_of], ACTIVE, chosen)]


def _require_any(name: str, fields: Sequence[str], found: Sequence[Mapping[str, Any]], sheets: Sheets) -> None:
    """Refuse what no sheet says anything of; `name`: of the request, where the fields stand."""
    if any(found):
        return
    if set(fields) & set(NO_FIELDS):
        detail = f"{fields[0]} tells every pickup from all others; it makes no groups and is no number."
        raise Problem(kinds.FIELD_UNKNOWN, detail, errors=[FieldError(name, "tells every pickup from all others")])
    said = sorted({each for sheet in sheets.values() for each in sheet})
    detail = f"No sheet of these pickups says {' or '.join(repr(field)[:80] for field in fields)}"
    detail += f"; they say {', '.join(said)}." if said else "; none of them has a sheet."
    raise Problem(kinds.FIELD_UNKNOWN, detail, errors=[FieldError(name, "on no sheet")])


def _without(fields: Sequence[str], members: Members, found: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Pickups whose sheet lacks a field, as what is left out is shown."""
    return [
        {"take": None, "subject": pickup, "reason": f"no sheet of it says {field}"}
        for field, values in zip(fields, found, strict=True)
        for pickup in sorted(set(members) - set(values))
    ]
