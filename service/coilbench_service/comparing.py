"""A comparison from request to answer."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from coilbench_service import problem_kinds as kinds
from coilbench_service.bench import Bench
from coilbench_service.comparison_sentences import sentence
from coilbench_service.conditions import differing
from coilbench_service.evidence import BANDS, EQUAL_LOUDNESS, VOLTAGES, Evidence, Party, every_pickup, gather
from coilbench_service.problems import FieldError, Problem
from coilbench_worker.compare.columns import column, in_a_sentence
from coilbench_worker.compare.comparison import Comparison, comparison, intervals
from coilbench_worker.measure.catalogue import quantity as quantity_of

HEADLINE = ("rms_dbfs", "crest_db", "attack_body_db", "decay_db_per_s", "bass_db", "middle_db", "treble_db")
"""Compared unless others are asked for: the more is asked, the harder every verdict is to reach."""
WELCH = (
    "One take of each: two-sided t intervals after Welch, strum against strum; p values adjusted after Holm over all "
    "rows together."
)
OUT_OF_LINE = {
    "takes": "are less certain than they look, those of the others more certain",
    "strums": "have wider intervals for it, the others' are more certain than they look",
}
"""What it does to the differences of a pickup that scatters more than the others."""
IN_MILLIVOLTS = (
    "In mV a hotter pickup scatters more, and the scatter of all is taken together: where levels lie far apart, "
    "verdicts on hot pickups come too easily. Those on the same levels in dB (rms_dbfs, peak_dbfs) hold."
)
NESTED = (
    "The take is a random effect (nested analysis of variance: scatter of takes pooled over the subjects; where the "
    "strums of one scatter more than the others', its own). p values are adjusted after Holm over all rows together."
)


def compare(
    bench: Bench,
    *,
    baseline: str,
    others: Sequence[str] | None,
    quantities: Sequence[str] | None,
    confidence: float,
    session: str | None,
) -> dict[str, Any]:
    """Compare others with a baseline.

    Raises
    ------
    Problem : subject-unknown, nothing-to-compare, too-many-takes, invalid-request
    """
    asked = list(quantities or HEADLINE)
    evidence = against(bench, baseline, others, session)
    first, *rest = evidence.parties
    reference = first.takes[0]
    subjects = [evidence.subject(party, reference) for party in evidence.parties]
    found = comparison(subjects[0], subjects[1:], asked, ties=evidence.ties, confidence=confidence)
    bands = [(key, part, f"{name}{EQUAL_LOUDNESS}") for key in BANDS for part, name in _parts(key)]
    rows = intervals(subjects[0], subjects[1:], [name for _, _, name in bands], confidence=confidence)
    by_name = {name: (key, part) for key, part, name in bands}
    return {
        "baseline": first.key,
        "confidence": confidence,
        "quantities": [quantity_view(key) for key in asked],
        "subjects": [subject_view(party) for party in evidence.parties],
        "results": [
            {
                **asdict(row),
                "takes": list(row.takes),
                "strums": list(row.strums),
                "unit": column(row.quantity).unit_of_difference,
                "sentence": sentence(row, column(row.quantity), first.key, confidence),
            }
            for row in found.rows
        ],
        "ranking": {key: [list(place) for place in places] for key, places in found.ranking.items()},
        "alike": {key: [list(pair) for pair in pairs] for key, pairs in found.alike.items()},
        "bands": [
            {
                "other": row.other,
                "quantity": by_name[row.quantity][0],
                "part": by_name[row.quantity][1],
                "difference": row.difference,
                "low": row.low,
                "high": row.high,
                "withheld": row.withheld,
            }
            for row in rows
        ],
        "conditions": list(differing(first, rest)),
        "left_out": [asdict(one) for one in evidence.left_out],
        "cautions": list(_cautions(found, evidence)),
        "method": NESTED if any(len(party.takes) > 1 for party in evidence.parties) else WELCH,
    }


def against(
    bench: Bench,
    baseline: str,
    others: Sequence[str] | None,
    session: str | None,
    *,
    fields: tuple[str, str] = ("baseline", "others"),
) -> Evidence:
    """Gather a baseline that has a usable take, and others; None: every other pickup with measured takes.

    Parameters
    ----------
    fields : of the request, where baseline and others stand

    Raises
    ------
    Problem : subject-unknown, nothing-to-compare, too-many-takes, invalid-request
    """
    with bench.database.read() as connection:
        if others is None:
            others = [key for key in every_pickup(connection, session) if key != baseline]
            if not others:
                where = f" in the session {session!r:.120}" if session is not None else ""
                detail = f"There is no other pickup with measured takes{where} to hold against {baseline!r:.120}."
                raise Problem(kinds.INVALID_REQUEST, detail, errors=[FieldError(fields[1], "there is none")])
        named = [fields[0], *(f"{fields[1]}.{number}" for number in range(len(others)))]
        evidence = gather(connection, [baseline, *others], session, fields=named)
    first = evidence.parties[0]
    if not first.takes:
        own = [one for one in evidence.left_out if one.subject == first.key]
        raise evidence.nothing(f"{first.key!r:.120} has no usable take: {own[0].reason}", own)
    return evidence


def collected(bench: Bench, keys: Sequence[str] | None, session: str | None, *, field: str) -> Evidence:
    """Gather pickups that stand side by side; None: every pickup with measured takes.

    Parameters
    ----------
    field : of the request, where they stand

    Raises
    ------
    Problem : subject-unknown, too-many-takes; nothing-to-compare where nobody has a usable take
    """
    with bench.database.read() as connection:
        asked = every_pickup(connection, session) if keys is None else keys
        evidence = gather(connection, asked, session, fields=[f"{field}.{number}" for number in range(len(asked))])
    evidence.usable()
    return evidence


def _parts(key: str) -> list[tuple[str, str]]:
    quantity = quantity_of(key)
    return list(zip(quantity.parts, quantity.columns(), strict=True))


def quantity_view(key: str) -> dict[str, Any]:
    """A column as an answer names it."""
    found = column(key)
    return {
        "key": key,
        "name": found.name,
        "unit": found.quantity.unit,
        "decimals": found.quantity.decimals,
        "more": found.quantity.more,
        "less": found.quantity.less,
    }


def subject_view(party: Party) -> dict[str, Any]:
    """A side as an answer names it."""
    return {
        "id": party.key,
        "kind": party.kind,
        "takes": [take.id for take in party.takes],
        "strums": sum(len(take.document["strums"]) for take in party.takes),
    }


def _cautions(found: Comparison, evidence: Evidence) -> list[str]:
    said = [
        f"{one.subject} scatters more between its {one.of} than the others in "
        f"{in_a_sentence(column(one.quantity).name)} (Cochran's test, 1 % over all that "
        f"was asked): its own differences {OUT_OF_LINE[one.of]}."
        for one in found.out_of_line
    ]
    if any(row.method == "nested" for row in found.rows):
        single = [party.key for party in evidence.parties if len(party.takes) == 1]
        if single:
            said.append(
                f"There is one take of {', '.join(single)}: how takes scatter is taken from the others. "
                "Record a second one."
            )
        if len(evidence.usable()) > 2 and any(row.quantity in VOLTAGES for row in found.rows):
            said.append(IN_MILLIVOLTS)
    return said
