"""A choice from request to answer: pickups ranked by how far they are from a wish."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from math import inf
from typing import Any

from coilbench_service import words
from coilbench_service.bench import Bench
from coilbench_service.comparing import against
from coilbench_service.electrical_advice import advice
from coilbench_service.wishes import Wished, wishes_of
from coilbench_worker.compare.choice import Change, Choice, choose
from coilbench_worker.compare.columns import column
from coilbench_worker.compare.comparison import Row, comparison
from coilbench_worker.compare.explanation import explanation, verdict
from coilbench_worker.store import pickups

EAR = "What an ear can tell is common practice, no source; the total of several misses is our own definition."


def choice(
    bench: Bench, *, reference: str, wish: Mapping[str, Any], among: Sequence[str] | None, session: str | None
) -> dict[str, Any]:
    """Which pickups come closest to a wish, from a pickup that the player knows.

    Raises
    ------
    Problem : wish-unknown, wish-contradictory, invalid-request, and those of `comparing.against`
    """
    with bench.database.read() as connection:
        wished = wishes_of(wish, words.meanings(connection))
    evidence = against(bench, reference, among, session)
    subjects = [evidence.subject(party, evidence.parties[0].takes[0]) for party in evidence.parties]
    compared = comparison(subjects[0], subjects[1:], [one.wish.quantity for one in wished], ties=evidence.ties)
    changes: dict[str, dict[str, Change]] = {}
    for row in compared.rows:
        changes.setdefault(row.other, {})[row.quantity] = _change(row)
    chosen = choose([one.wish for one in wished], changes)
    with bench.database.read() as connection:
        record = pickups.get(connection, reference)
    told = [] if chosen.fits else advice(reference, record.sheet if record else {}, [one.wish for one in wished])
    unsaid = [f"No candidate can be held against {column(key).name}; the order leaves it out." for key in chosen.unsaid]
    return {
        "reference": reference,
        "wish": [_wish(one) for one in wished],
        "ranking": [_candidate(chosen, index) for index in range(len(chosen.ranking))],
        "fits": list(chosen.fits),
        "advice": told,
        "left_out": [asdict(one) for one in evidence.left_out],
        "cautions": [verdict(chosen, reference), *unsaid, EAR],
    }


def _change(row: Row) -> Change:
    if row.difference is None or row.standard_error is None:
        return Change(None, withheld=row.withheld)
    return Change(row.difference, row.standard_error, row.degrees_of_freedom or inf)


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


def _candidate(chosen: Choice, index: int) -> dict[str, Any]:
    candidate = chosen.ranking[index]
    return {
        "place": candidate.place,
        "pickup": candidate.key,
        "fits": candidate.fits,
        "miss": candidate.miss,
        "uncertainty": candidate.uncertainty,
        "items": [asdict(item) for item in candidate.items],
        "sentence": explanation(candidate),
    }
