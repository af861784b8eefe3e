"""The figures of takes laid out for tables: one table for each group of quantities, in the order of the catalogue."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from coilbench_worker.measure.catalogue import QUANTITIES, Quantity

GROUPS = {
    "level": "Level",
    "dynamics": "Dynamics",
    "sustain": "Sustain",
    "tone": "Tone",
    "noise": "Noise",
}


@dataclass(frozen=True)
class Group:
    """Quantities that belong together, and their heading."""

    key: str
    title: str
    quantities: tuple[Quantity, ...]


def of_strums(documents: Sequence[Mapping[str, Any]]) -> list[Group]:
    """Groups of the single-number quantities of strums; millivolts only where one of the measurements has some."""
    any_calibrated = any(document.get("calibration") for document in documents)
    return grouped(lambda quantity: quantity.of == "strum" and (any_calibrated or not quantity.calibrated))


def of_row(row: Mapping[str, Any]) -> list[Group]:
    """Groups of the single-number quantities of a pickup's row in the table; millivolts only where it has some."""
    return grouped(lambda quantity: not quantity.calibrated or row.get(quantity.key) is not None)


def grouped(shown: Callable[[Quantity], bool]) -> list[Group]:
    """Single-number quantities by group, those that are shown; no group without any."""
    groups = (
        Group(
            key,
            title,
            tuple(one for one in QUANTITIES if one.group == key and not one.parts and shown(one)),
        )
        for key, title in GROUPS.items()
    )
    return [group for group in groups if group.quantities]


def of_take() -> list[Quantity]:
    """Quantities of the whole take and of its noise."""
    return [quantity for quantity in QUANTITIES if quantity.of in ("take", "noise") and not quantity.parts]


def bands() -> list[Quantity]:
    """Quantities with a figure for each band."""
    return [quantity for quantity in QUANTITIES if quantity.of == "strum" and quantity.parts]


def reasons(document: Mapping[str, Any]) -> list[str]:
    """Why figures are missing, each reason once with what it holds for."""
    names = {quantity.key: quantity.name for quantity in QUANTITIES}
    for quantity in QUANTITIES:
        for part, column in zip(quantity.parts, quantity.columns(), strict=False):
            names[column] = f"{quantity.name} at {part}"
    found: dict[str, list[str]] = {}
    for key, reason in document["reasons"].items():
        found.setdefault(reason, []).append(names.get(key, key))
    for strum in document["strums"]:
        for key, reason in strum["reasons"].items():
            found.setdefault(reason, []).append(f"{names.get(key, key)} of strum {strum['number']}")
    return [f"{_some(of)}: {reason}" for reason, of in found.items()]


def _some(names: list[str], most: int = 4) -> str:
    return ", ".join(names[:most]) + (f" and {len(names) - most} more" if len(names) > most else "")
