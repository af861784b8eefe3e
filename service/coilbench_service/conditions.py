"""Conditions of recording that differ between two sides of a comparison."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from coilbench_service.about import FIELDS
from coilbench_service.evidence import Party, Witness

NO_CONDITIONS = ("label", "pickup", "notes", "tags", "extra", "expected_strums", "channel")
"""Fields that name or explain a take, or say how it is to be read."""
CONDITIONS = tuple(name for name in FIELDS if name not in NO_CONDITIONS)


def differing(baseline: Party, others: Sequence[Party]) -> Iterator[dict[str, Any]]:
    """Every condition that is not the same on both sides: fields of the description, conditions of one's own, the
    session's date; several values of one side as one text.
    """
    for other in others:
        own = {f"extra.{name}" for take in (*baseline.takes, *other.takes) for name in take.about.get("extra", {})}
        for field in (*CONDITIONS, "date", *sorted(own)):
            one, two = _said(baseline.takes, field), _said(other.takes, field)
            if one != two and other.takes:
                yield {"other": other.key, "field": field, "baseline": one, "value": two}


def _said(takes: Sequence[Witness], field: str) -> Any:
    found: dict[str, Any] = {}
    for take in takes:
        value = _value(take, field)
        found.setdefault("not said" if value is None else str(value), value)
    if len(found) <= 1:
        return next(iter(found.values()), None)
    return "; ".join(sorted(found))


def _value(take: Witness, field: str) -> Any:
    if field == "date":
        return take.date
    own = field.removeprefix("extra.")
    return take.about.get(field) if own == field else take.about.get("extra", {}).get(own)
