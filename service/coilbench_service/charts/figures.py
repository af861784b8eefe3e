"""Figures as pictures and their text alternatives say them: with the catalogue's decimals and unit, or why not."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, TypeVar

from coilbench_service.writing import NOTHING, figure
from coilbench_worker.measure.catalogue import QUANTITIES

MOST_STRUMS = 12
"""So many strums are shown one by one; what is left out is said."""
_BY_KEY = {quantity.key: quantity for quantity in QUANTITIES}

Shown = TypeVar("Shown")


def name_of(key: str) -> str:
    """What a quantity is called; KeyError when there is none of that key."""
    return _BY_KEY[key].name


def quantity_figure(key: str, value: float | None) -> str:
    """A value of a quantity with its unit; a dash for none."""
    if value is None:
        return NOTHING
    return f"{figure(value, _BY_KEY[key].decimals)} {_BY_KEY[key].unit}"


def mean_figure(key: str, entry: Mapping[str, Any] | None) -> str:
    """Mean and standard deviation of a summary's entry with the unit; a dash where nothing was measured."""
    if entry is None or entry["mean"] is None:
        return NOTHING
    decimals, unit = _BY_KEY[key].decimals, _BY_KEY[key].unit
    spread = "" if entry["sd"] is None else f" ± {figure(entry['sd'], decimals)}"
    return f"{figure(entry['mean'], decimals)}{spread} {unit}"


def seconds(value: float) -> str:
    """A time to the hundredth of a second."""
    return f"{figure(value, 2)} s"


def why_none(strums: Sequence[Mapping[str, Any]], key: str) -> list[str]:
    """A clause for each reason why strums have no value of a quantity: `strum 2 and 3: the strum ends before 1.5 s`."""
    numbers: dict[str, list[int]] = {}
    for strum in strums:
        if strum["quantities"].get(key) is None:
            numbers.setdefault(strum["reasons"].get(key, "no reason is kept"), []).append(strum["number"])
    return [f"{called(found)}: {reason}" for reason, found in numbers.items()]


def called(numbers: Sequence[int]) -> str:
    """`strum 3`, `strums 1 and 2`, `strums 1, 2 and 3`; of many the first ones and how many more."""
    if len(numbers) == 1:
        return f"strum {numbers[0]}"
    if len(numbers) > MOST_STRUMS:
        first = ", ".join(str(one) for one in numbers[:MOST_STRUMS])
        return f"strums {first} and {len(numbers) - MOST_STRUMS} more"
    return f"strums {', '.join(str(one) for one in numbers[:-1])} and {numbers[-1]}"


def first_of(strums: Sequence[Shown]) -> tuple[Sequence[Shown], str]:
    """The strums that are shown one by one, and a sentence when some are not."""
    if len(strums) <= MOST_STRUMS:
        return strums, ""
    return strums[:MOST_STRUMS], f"The first {MOST_STRUMS} of {len(strums)} strums are shown."
