"""A choice from request to answer: pickups ranked by how far they are from a wish."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict
from math import inf
from typing import Any

from coilbench_service import words
from coilbench_service.bench import Bench
from coilbench_service.comparing import against
from coilbench_service.conditions import differing
from coilbench_service.electrical_advice import LoadStated, Start, advice, changes_of, starts
from coilbench_service.electrical_ways import OCTAVE
from coilbench_service.evidence import Evidence, Party
from coilbench_service.wishes import Wished, wishes_of
from coilbench_worker.compare.choice import Candidate, Change, choose
from coilbench_worker.compare.columns import column, in_a_sentence
from coilbench_worker.compare.comparison import Row, comparison
from coilbench_worker.compare.explanation import explanation, verdict
from coilbench_worker.compare.observations import Subject
from coilbench_worker.compare.pickup_value import pickup_value
from coilbench_worker.measure.bands import OCTAVES
from coilbench_worker.store import pickups

EAR = "What an ear can tell is common practice, no source; the total of several misses is our own definition."
HAND = ("strings", "pick", "tuning", "player", "cable")
"""Conditions that change the sound themselves, and are none of the pickup's own."""


def choice(
    bench: Bench,
    *,
    reference: str,
    wish: Mapping[str, Any],
    among: Sequence[str] | None,
    session: str | None,
    load: LoadStated,
) -> dict[str, Any]:
    """Which pickups come closest to a wish, from a pickup that the player knows.

    Raises
    ------
    Problem : wish-unknown, wish-contradictory, invalid-request, subject-unknown, nothing-to-compare, too-many-takes
    """
    with bench.database.read() as connection:
        wished = wishes_of(wish, words.meanings(connection))
    evidence = against(bench, reference, among, session, fields=("reference", "among"))
    subjects = [evidence.subject(party, evidence.parties[0].takes[0]) for party in evidence.parties]
    compared = comparison(subjects[0], subjects[1:], [one.wish.quantity for one in wished], ties=evidence.ties)
    changes: dict[str, dict[str, Change]] = {}
    for row in compared.rows:
        changes.setdefault(row.other, {})[row.quantity] = _change(row)
    wishes = [one.wish for one in wished]
    chosen = choose(wishes, changes)
    told: tuple[str, ...] = ()
    if not chosen.fits:
        sheets = _sheets(bench, evidence.parties)
        of_reference, *of_others = (_start(subject, sheets.get(subject.key, {})) for subject in subjects)
        known = {one.key: changes_of(one) for one in chosen.ranking}
        others = {one.pickup: _moved(one, known[one.pickup]) for one in of_others}
        told = advice(wishes, starts(chosen, _moved(of_reference, {one.quantity: 0.0 for one in wishes}), others), load)
    return {
        "reference": reference,
        "wish": [_wish(one) for one in wished],
        "sentence": verdict(chosen, reference),
        "ranking": [_candidate(one) for one in chosen.ranking],
        "fits": list(chosen.fits),
        "advice": list(told),
        "left_out": [asdict(one) for one in evidence.left_out],
        "cautions": [*_cautions(evidence, compared.rows, chosen.unsaid), EAR],
    }


def _change(row: Row) -> Change:
    if row.difference is None or row.standard_error is None:
        return Change(None, withheld=row.withheld)
    return Change(row.difference, row.standard_error, row.degrees_of_freedom or inf)


def _sheets(bench: Bench, parties: Sequence[Party]) -> dict[str, Mapping[str, Any]]:
    """The sheet of each side; of a single take that of the pickup it names."""
    key_of = {party.key: party.takes[0].about.get("pickup") for party in parties if party.takes}
    with bench.database.read() as connection:
        found = pickups.by_key(connection, {key for key in key_of.values() if key is not None})
    return {side: found[key].sheet for side, key in key_of.items() if key in found}


def _start(subject: Subject, sheet: Mapping[str, Any]) -> Start:
    octaves = ((band.nominal, pickup_value(subject, f"{OCTAVE}{band.nominal}")) for band in OCTAVES)
    return Start(subject.key, sheet, {name: level for name, level in octaves if level is not None}, {})


def _moved(start: Start, changes: Mapping[str, float]) -> Start:
    return Start(start.pickup, start.sheet, start.octaves_db, changes)


def _wish(one: Wished) -> dict[str, Any]:
    return {
        "asked": one.asked,
        "quantity": one.wish.quantity,
        "unit": column(one.wish.quantity).unit_of_difference,
        "direction": one.wish.direction,
        "amount": one.wish.amount,
        "ear_step": one.wish.ear_step,
        "basis": one.basis,
    }


def _candidate(candidate: Candidate) -> dict[str, Any]:
    return {
        "place": candidate.place,
        "pickup": candidate.key,
        "fits": candidate.fits,
        "miss": candidate.miss,
        "uncertainty": candidate.uncertainty,
        "items": [asdict(item) for item in candidate.items],
        "sentence": explanation(candidate),
    }


def _cautions(evidence: Evidence, rows: Sequence[Row], unsaid: Sequence[str]) -> Iterator[str]:
    for key in unsaid:
        yield f"Nobody can be held against the wish for {in_a_sentence(column(key).name)}; the order leaves it out."
    trusted: dict[str, list[str]] = {}
    for row in rows:
        if row.assumes:
            trusted.setdefault(row.assumes, []).append(row.other)
    for assumed, keys in trusted.items():
        yield f"{', '.join(dict.fromkeys(keys))}: {assumed}."
    first, *others = evidence.parties
    for one in differing(first, others):
        if one["field"] in HAND:
            said = f"{one['field']} {_said(one['value'])} against {_said(one['baseline'])}"
            yield f"{one['other']} was recorded otherwise than {first.key}: {said.rstrip('.')}."


def _said(value: Any) -> str:
    return "not said" if value is None else str(value)
