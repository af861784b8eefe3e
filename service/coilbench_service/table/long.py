"""The long shape of a table: one row for every number of a subject, which is named by quantity and part, with its unit.

Rows are made of those of the wide shape, one of these at a time.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping
from typing import Any

from coilbench_service.table.columns import COUNT, SPREAD, UNCERTAINTY, Column, Per, Series, Spread, known, shown

_NUMBER = (
    Column("quantity", "Quantity", definition="Key of /v1/quantities"),
    Column("part", "Part of a vector", definition="Such as the band; empty for a single number"),
    Column("value", "Value; of takes and pickups the mean", kind="number"),
    Column("unit", "Unit of value and bounds", definition="A standard deviation of levels in dBFS or LUFS is in dB"),
)
_SPREAD = (
    Column("sd", "Standard deviation", kind="number", definition="Of a take between its strums, of a pickup its takes"),
    Column("low", "Lower bound of the mean", kind="number", definition="Of the 95 % interval"),
    Column("high", "Upper bound of the mean", kind="number", definition="Of the 95 % interval"),
    Column("expanded_uncertainty", "Expanded uncertainty (95 %), calibration included; of millivolts", kind="number"),
)
_COUNT = Column("n", "Values that the mean rests on", kind="whole", definition="A take's strums, a pickup's takes")
_REASON = Column("reason", "Why there is no number, or what it does not rest on")


def long_columns(per: Per, spread: Spread = "all") -> list[Column]:
    """All columns of a long table: those of the subject, then those of a number."""
    if per == "strum":
        return [*known(per), *_NUMBER, _REASON]
    return [*known(per), *_NUMBER, *(_SPREAD if spread == "all" else ()), _COUNT, _REASON]


def long_rows(
    per: Per, rows: Iterable[Mapping[str, Any]], chosen: Collection[str] | None = None
) -> Iterator[dict[str, Any]]:
    """The rows of a long table, in the order of the wide one's columns.

    Parameters
    ----------
    per : what a wide row is
    rows : of the wide table
    chosen : keys or flat keys; None means all
    """
    keys = [column.key for column in known(per)]
    means, single = shown(per, chosen)
    for row in rows:
        subject = {key: row.get(key) for key in keys}
        why = row.get("reasons") or {}
        for one in means:
            yield {**subject, **_number(row, one, why), **_spread(row, one)}
        for one in single:
            yield {**subject, **_number(row, one, why)}


def _number(row: Mapping[str, Any], one: Series, why: Mapping[str, str]) -> dict[str, Any]:
    return {
        "quantity": one.quantity.key,
        "part": one.part,
        "value": row.get(one.column),
        "unit": one.quantity.unit or None,
        "reason": why.get(one.column) or why.get(one.quantity.key),
    }


def _spread(row: Mapping[str, Any], one: Series) -> dict[str, Any]:
    found = {end[1:]: row.get(one.column + end) for end, _, _ in (*SPREAD, UNCERTAINTY)}
    return {**found, "n": row.get(one.column + COUNT)}
