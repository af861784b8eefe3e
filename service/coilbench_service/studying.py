"""A study of the tester's own hand from request to answer."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import Any

from coilbench_service.bench import Bench
from coilbench_service.comparing import HEADLINE, collected, quantity_view, subject_view
from coilbench_worker.compare.columns import Column, column, in_a_sentence
from coilbench_worker.compare.ear import ear_step
from coilbench_worker.compare.study import Studied
from coilbench_worker.compare.study import study as studied

METHOD = (
    "Nested analysis of variance pooled over the pickups; terms of ISO 5725: repeatability between strums of a take, "
    "reproducibility between takes. Plans are for comparing two pickups, four times in five, without Holm."
)


def study(
    bench: Bench,
    *,
    subjects: Sequence[str] | None,
    session: str | None,
    quantities: Sequence[str] | None,
    difference: Mapping[str, float],
    confidence: float,
) -> dict[str, Any]:
    """How far strums and takes scatter, and what plan that asks for.

    Raises
    ------
    Problem : subject-unknown, nothing-to-compare, too-many-takes
    """
    asked = list(quantities or HEADLINE)
    evidence = collected(bench, subjects, session, field="subjects")
    parties = evidence.usable()
    wanted = {key: difference.get(key) or _ear(key) for key in asked}
    rows = studied(
        [evidence.subject(party, party.takes[0]) for party in parties],
        asked,
        wanted={key: value for key, value in wanted.items() if value is not None},
        confidence=confidence,
    )
    return {
        "quantities": [quantity_view(key) for key in asked],
        "subjects": [subject_view(party) for party in parties],
        "results": [_row(row, column(row.quantity)) for row in rows],
        "left_out": [asdict(one) for one in evidence.left_out],
        "cautions": [
            f"{party.key} has levels of some takes only: {why}."
            for party in parties
            if (why := evidence.loose(party, party.takes[0]))
        ],
        "method": METHOD,
    }


def _ear(key: str) -> float | None:
    found = ear_step(key)
    return None if found is None else found.step


def _row(row: Studied, meant: Column) -> dict[str, Any]:
    return {**asdict(row), "unit": meant.unit_of_difference, "sentence": _sentence(row, meant)}


def _sentence(row: Studied, meant: Column) -> str:
    name, unit, digits = in_a_sentence(meant.name), meant.unit_of_difference, meant.quantity.decimals + 1
    if row.repeatability is None and row.reproducibility is not None:
        return f"Takes scatter by {row.reproducibility.sd:.{digits}f} {unit} in {name}; {row.withheld}."
    if row.repeatability is None:
        return f"Nothing is said of {name}: {row.withheld}."
    text = f"Strums of a take scatter by {row.repeatability.sd:.{digits}f} {unit} in {name}"
    if row.between_takes is None:
        return f"{text}; {row.withheld}."
    text += f", takes by {row.between_takes.sd:.{digits}f} {unit} more."
    plans = [plan for plan in row.plan if plan.takes is not None]
    if not plans:
        return text
    plan = plans[0]
    wanted = f"{plan.difference:g} {unit}"
    return f"{text} {plan.takes} takes of {plan.strums} strums of each pickup would show a difference of {wanted}."
