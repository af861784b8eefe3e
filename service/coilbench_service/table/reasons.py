"""Why cells of a table are empty: a sentence for each column without a number, and the text that lists them.

Nothing is made up here: a value that is null without a reason (measurements made before there were any) has no entry.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Mapping, Sequence
from typing import Any

from coilbench_service.table.columns import Series

MOST_REASONS = 2
"""Different reasons that are told of one mean; the others are counted."""

_NUMBER = re.compile(r"-?\d+(?:\.\d+)?")


def of_strum(strum: Mapping[str, Any], shown: Collection[Series]) -> dict[str, str]:
    """Reasons by column of a strum's row; by the quantity alone where all its shown parts have one and the same.

    Parameters
    ----------
    strum : as a measurement has it
    shown : the numbers that the table shows
    """
    return gathered(shown, {one.column: why for one in shown if (why := _of_one(strum, one)) is not None})


def of_take(document: Mapping[str, Any], spread: Collection[Series], single: Collection[Series]) -> dict[str, str]:
    """Reasons by column of a take's row, also where a mean is that of some of its strums only.

    Parameters
    ----------
    document : the measurement
    spread, single : the shown numbers that are means over the strums, and those of the take and its noise
    """
    strums = document["strums"]
    found = {one.column: why for one in spread if (why := _of_mean(strums, one)) is not None}
    known = document.get("reasons", {})
    values = {**document["take_quantities"], **document["noise"]}
    for one in single:
        if values.get(one.quantity.key) is None and one.column in known:
            found[one.column] = known[one.column]
    return gathered([*spread, *single], found)


def text(reasons: Mapping[str, str]) -> str:
    """One cell: columns with the same reason together, such as `attack_ms, crest_db: the level window is silent`."""
    columns: dict[str, list[str]] = {}
    for column, why in reasons.items():
        columns.setdefault(why, []).append(column)
    return "; ".join(f"{', '.join(names)}: {why}" for why, names in columns.items())


def _of_one(strum: Mapping[str, Any], one: Series) -> str | None:
    if _value(strum, one) is not None:
        return None
    reasons = strum.get("reasons", {})
    why: str | None = reasons.get(one.column) or reasons.get(one.quantity.key)
    return why


def _value(strum: Mapping[str, Any], one: Series) -> Any:
    key = one.quantity.key
    return strum["quantities"].get(key) if one.part is None else (strum.get(key) or {}).get(one.part)


def of_mean(whys: Iterable[str], there: int, every: int, what: str = "strums") -> str | None:
    """Why a mean is empty or of some only, in one sentence; None where nothing was said.

    Parameters
    ----------
    whys : reasons of those without a value
    there, every : how many have one, of how many
    what : they are
    """
    told = _different(whys)
    if not told:
        return None
    said = ", or: ".join(told[:MOST_REASONS])
    if (more := len(told) - MOST_REASONS) > 0:
        said += f", or {more} more reason{'s' if more > 1 else ''}"
    if there:
        return f"only {there} of {every} {what}: {said}"
    return said if len(told) == 1 else f"none of {every} {what}: {said}"


def whys_of(strums: Iterable[Mapping[str, Any]], one: Series) -> list[str]:
    """Why each strum without this number has none, where that is known."""
    return [why for strum in strums if (why := _of_one(strum, one)) is not None]


def _of_mean(strums: Sequence[Mapping[str, Any]], one: Series) -> str | None:
    there = sum(_value(strum, one) is not None for strum in strums)
    return of_mean(whys_of(strums, one), there, len(strums))


def _different(whys: Iterable[str]) -> list[str]:
    """The first of those that differ in their numbers alone, in their order."""
    first: dict[str, str] = {}
    for why in whys:
        first.setdefault(_NUMBER.sub("#", why), why)
    return list(first.values())


def gathered(shown: Collection[Series], found: Mapping[str, str]) -> dict[str, str]:
    """Columns in the order shown; all parts of a vector with one reason become one entry under its key."""
    parts: dict[str, list[str]] = {}
    for one in shown:
        parts.setdefault(one.quantity.key, []).append(one.column)
    gathered: dict[str, str] = {}
    for key, columns in parts.items():
        whys = {found.get(column) for column in columns}
        whole = whys.pop() if len(columns) > 1 and len(whys) == 1 else None
        if whole is not None:
            gathered[key] = whole
        else:
            gathered |= {column: found[column] for column in columns if column in found}
    return gathered
